/* Draws the what-if page and recomputes it at every change; the rules are in whatif.js. */
(() => {
  const data = JSON.parse(document.getElementById("what-if-data").textContent);
  const start = data.start;
  const place = (id) => document.getElementById("what-if-" + id);
  const isRejection = (limit) => limit.kind === "false rejection";
  const excludedShare = data.classes.reduce((sum, _, k) => sum + (data.excluded[k] ? start.shares[k] : 0), 0);

  const percent = (share, digits = 1) => (100 * share).toFixed(digits) + " %";
  const cutoff = (value, nothing) => (Number.isFinite(value) ? value.toFixed(2) : nothing);
  const element = (name, text = "", attributes = {}) => {
    const made = document.createElement(name);
    made.textContent = text;
    Object.entries(attributes).forEach(([key, value]) => made.setAttribute(key, value));
    return made;
  };
  const row = (cells, name = "td") => {
    const made = document.createElement("tr");
    cells.forEach((cell) => {
      const td = element(name);
      td.append(cell);
      made.append(td);
    });
    return made;
  };

  /* Sliders move everything of a kind at once; a step is a twentieth of an order of magnitude. */
  const slider = (label, low, high, value, shown) => {
    const box = element("label", label + " "), out = element("output");
    const input = element("input", "", { type: "range", min: low, max: high, step: 0.05 });
    input.value = value;
    const show = () => { out.textContent = shown(10 ** Number(input.value)); };
    input.addEventListener("input", () => { show(); update(); });
    box.append(out, input);
    place("moves").append(box);
    return { read: () => 10 ** Number(input.value), reset: () => { input.value = value; show(); } };
  };
  const numberBox = (value, attributes) => {
    const input = element("input", "", { type: "number", step: "any", ...attributes });
    input.value = value ?? "";
    input.addEventListener("input", update);
    const first = input.value;
    return {
      input,
      read: () => (input.value === "" || !input.validity.valid ? null : Number(input.value)),
      reset: () => { input.value = first; },
    };
  };
  const labelled = (label, box) => {
    const made = element("label", label + " ");
    made.append(box.input);
    place("moves").append(made);
    return box;
  };

  const times = (value) => "× " + Number(value.toPrecision(2));
  const moves = {
    missLimits: slider("Limits on misses", -1, 1, 0, times),
    missCosts: slider("Cost of a miss", -1, 1, 0, times),
    holdCosts: slider("Cost of a hold", -1, 1, 0, times),
    excluded: slider("Excluded fish among all", -3, -0.1, Math.log10(excludedShare), (value) => percent(value, 2)),
    presentations: labelled("Fish per hour", numberBox(start.presentations ?? 100, { min: 1 })),
    capacity: labelled("Held fish the crew can clear per hour", numberBox(start.capacity, { min: 0.1 })),
  };
  const limitOf = (code, rejecting) => start.limits.find((limit) => limit.code === code && isRejection(limit) === rejecting);
  const classes = data.classes.map((code, k) => ({
    error: numberBox(start.error[k], { min: 0.001 }),
    hold: numberBox(start.hold[k], { min: 0.001 }),
    share: numberBox(Number((100 * start.shares[k]).toPrecision(4)), { min: 0.000001, max: 100 }),
    limit: data.groups[k] === "pass" ? null
      : numberBox(100 * (limitOf(code, !data.excluded[k])?.rate ?? NaN) || "", { min: 0.01, max: 99 }),
  }));

  function drawClasses() {
    const head = element("thead");
    head.append(row(["Class", "Policy", "Cost of the error", "Cost of a hold", "Expected share, %", "Limit, %"], "th"));
    const body = element("tbody");
    classes.forEach((one, k) => body.append(row([
      data.classes[k], data.groups[k], one.error.input, one.hold.input, one.share.input, one.limit ? one.limit.input : "-",
    ])));
    classes.forEach((one, k) => ["error", "hold", "share", "limit"].forEach((key) => one[key]
      && one[key].input.setAttribute("aria-label", data.classes[k] + ": " + key)));
    place("classes").append(head, body);
  }

  function limitsAsked(moved) {
    const perClass = classes.flatMap((one, k) => {
      const rate = one.limit && one.limit.read();
      if (!rate) return [];
      const kind = data.excluded[k] ? "miss" : "false rejection";
      return [{ code: data.classes[k], kind, rate: rate / 100 }];
    });
    const pooled = start.limits.filter((limit) => limit.kind === "pooled miss");
    const all = [...perClass, ...pooled.map((limit) => ({ ...limit }))];
    const both = all.some(isRejection) && all.some((limit) => !isRejection(limit));
    return all.map((limit) => ({
      ...limit,
      rate: isRejection(limit) ? limit.rate : Math.min(0.99, limit.rate * moved),
      delta: both ? data.delta / 2 : data.delta,
    }));
  }

  function sharesAsked() {
    const given = classes.map((one, k) => (one.share.read() ?? 100 * start.shares[k]) / 100);
    const together = given.reduce((sum, share, k) => sum + (data.excluded[k] ? share : 0), 0);
    const total = given.reduce((sum, share) => sum + share, 0);
    const wanted = Math.min(0.99, (together / total) * (moves.excluded.read() / excludedShare));
    return given.map((share, k) => (data.excluded[k] ? (share / together) * wanted : (share / (total - together)) * (1 - wanted)));
  }

  function demands() {
    const capacity = moves.capacity.read(), presentations = moves.presentations.read();
    return {
      error: classes.map((one, k) => (one.error.read() ?? start.error[k]) * (data.excluded[k] ? moves.missCosts.read() : 1)),
      hold: classes.map((one, k) => (one.hold.read() ?? start.hold[k]) * moves.holdCosts.read()),
      shares: sharesAsked(),
      limits: limitsAsked(moves.missLimits.read()),
      mostHeld: capacity && presentations ? capacity / presentations : null,
    };
  }

  function drawResults(before, now) {
    const perHour = (share) => {
      const fish = moves.presentations.read();
      return fish ? (share * fish).toFixed(1) : "-";
    };
    const lines = [
      ["Pass below", (one) => cutoff(one.u, "nothing passes")],
      ["Reject above", (one) => cutoff(one.v, "nothing is rejected")],
      ["Expected cost per fish", (one) => one.cost.toFixed(3)],
      ["… without limits", (one) => one.withoutLimits.toFixed(3)],
      ["… holding every fish", (one) => one.holdAll.toFixed(3)],
      ["Held", (one) => percent(one.held)],
      ["Held per hour", (one) => perHour(one.held)],
      ["Least that the limits leave to hold", (one) => percent(one.leastHeld)],
      ["Crew keeps up", (one) => (one.capacityMet === null ? "not asked" : one.capacityMet ? "yes" : "no: the limits go first")],
      ["Price of that per fish", (one) => (one.capacityMet ? one.capacityPrice.toFixed(4) : "-")],
    ];
    const head = element("thead");
    head.append(row(["", "As the policy has it", "Moved"], "th"));
    const body = element("tbody");
    lines.forEach(([name, show]) => body.append(row([name, show(before), show(now)])));
    place("results").replaceChildren(head, body);
  }

  function groupShares(result, group) {
    const own = result.byClass.filter((one, k) => data.groups[k] === group && one.fish);
    const fish = own.reduce((sum, one) => sum + one.fish, 0);
    const mean = (key) => own.reduce((sum, one) => sum + one.fish * one[key], 0) / fish;
    return fish ? { passed: mean("passed"), rejected: mean("rejected") } : null;
  }

  const bar = (kind, y, x, width) => `<rect class="${kind}" x="${x}" y="${y}" width="${Math.max(0, width)}" height="17"/>`;

  function drawBars(before, now) {
    const names = { exclude: "excluded", protected: "protected", pass: "other wanted" };
    const parts = [];
    let y = 0;
    Object.entries(names).forEach(([group, name]) => {
      [["policy", before], ["moved", now]].forEach(([label, result]) => {
        const shares = groupShares(result, group);
        if (!shares) return;
        const p = 240 * shares.passed, r = 240 * shares.rejected;
        parts.push(`<text x="0" y="${y + 13}">${name}, ${label}</text>`
          + bar("p", y, 150, p) + bar("h", y, 150 + p, 240 - p - r) + bar("lines", y, 150 + p, 240 - p - r) + bar("r", y, 390 - r, r)
          + `<text x="396" y="${y + 13}">${percent(shares.passed, 0)} passed, ${percent(shares.rejected, 0)} rejected</text>`);
        y += 22;
      });
      y += 6;
    });
    place("bars").innerHTML = `<svg class="bars" viewBox="0 0 560 ${y}" width="100%" role="img" aria-label="Share of each group `
      + `passed (left), held (middle) and rejected (right), as the policy has it and moved; the shares stand beside each bar."><defs><pattern id="what-if-lines" width="6" height="6" `
      + `patternUnits="userSpaceOnUse"><path d="M0 6 6 0"/></pattern></defs>${parts.join("")}</svg>`;
  }

  function drawNeeded(now) {
    const head = element("thead");
    const unit = data.mode === "fish" ? "Fish" : "Trips";
    head.append(row(["Class", "Limit", unit + " needed in cut", "In cut now", "Missing there", "To image for that"], "th"));
    const body = element("tbody");
    now.caps.forEach((cap) => {
      const needed = WhatIf.needed(cap.rate, cap.delta, data.mode), have = data.in_cut[cap.code];
      const missing = Math.max(0, needed - have);
      body.append(row([
        cap.code, `${cap.kind}, ${percent(cap.rate, 2)}`, String(needed), String(have), String(missing),
        String(Math.ceil(missing / data.cut_share)),
      ]));
    });
    place("needed").replaceChildren(head, body);
  }

  let before = null;
  function update() {
    const now = WhatIf.weigh(data, demands());
    before = before || now;
    drawResults(before, now);
    drawBars(before, now);
    drawNeeded(now);
  }
  place("reset").addEventListener("click", () => {
    Object.values(moves).forEach((move) => move.reset());
    classes.forEach((one) => Object.values(one).forEach((box) => box && box.reset()));
    update();
  });
  drawClasses();
  Object.values(moves).forEach((move) => move.reset());
  place("off").hidden = true;
  place("app").hidden = false;
  update();
})();
