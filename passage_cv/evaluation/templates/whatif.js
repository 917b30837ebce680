/* The decision stage in small, for the what-if page: the same rules as passage_cv/decision, on the same numbers.
   Pure functions; the page is drawn in whatif_page.js. A test compares every number with the Python code. */
"use strict";

const WhatIf = (() => {
  const TIE = 1e-12;
  const BET = 0.95;

  function logSumExp(values) {
    const top = Math.max(...values);
    if (!Number.isFinite(top)) return top;
    return top + Math.log(values.reduce((sum, value) => sum + Math.exp(value - top), 0));
  }

  /* Largest k with P(Bin(n, limit) <= k - 1) <= delta; 0 where even no miss shows too little. */
  function allowedRank(n, limit, delta) {
    let term = n * Math.log1p(-limit);
    let sum = -Infinity;
    for (let k = 0; k <= n; k++) {
      const top = Math.max(sum, term);
      sum = top + Math.log(Math.exp(sum - top) + Math.exp(term - top));
      if (sum > Math.log(delta)) return k;
      term += Math.log((n - k) / (k + 1)) + Math.log(limit) - Math.log1p(-limit);
    }
    return n;
  }

  /* Fish (trips in the trip modes) that show a limit without a miss. */
  function needed(limit, delta, mode) {
    const step = mode === "between-trips" ? Math.log1p((BET * limit) / (1 - limit)) : -Math.log1p(-limit);
    return Math.ceil(-Math.log(delta) / step - 1e-9);
  }

  function gateScores(data, demands) {
    if (data.fish.score) return data.fish.score;
    const weights = data.classes.map((_, k) => Math.log(demands.error[k]) + Math.log(demands.shares[k]));
    return data.fish.logp.map((row) => {
      const excluded = [], wanted = [];
      row.forEach((logp, k) => (data.excluded[k] ? excluded : wanted).push(logp + weights[k]));
      return logSumExp(excluded) - logSumExp(wanted);
    });
  }

  /* Fish that are held instead of rejected because they may be protected. */
  function spared(data, demands) {
    const limits = Object.entries(data.never_reject_above).map(([code, limit]) => [data.classes.indexOf(code), limit]);
    if (!limits.length || data.fish.score) return data.fish.label.map(() => false);
    return data.fish.logp.map((row) => {
      const site = row.map((logp, k) => logp + Math.log(demands.shares[k]));
      const total = logSumExp(site);
      return limits.some(([k, limit]) => Math.exp(site[k] - total) >= limit);
    });
  }

  function bettingCap(scores, trips, limit, delta) {
    const sizes = new Map();
    trips.forEach((trip) => sizes.set(trip, (sizes.get(trip) || 0) + 1));
    const allowed = (cutoff) => {
      const missed = new Map();
      trips.forEach((trip, i) => scores[i] < cutoff && missed.set(trip, (missed.get(trip) || 0) + 1));
      let evidence = 0;
      sizes.forEach((size, trip) => {
        evidence += Math.log1p((BET * (limit - (missed.get(trip) || 0) / size)) / (1 - limit));
      });
      return evidence >= -Math.log(delta);
    };
    const candidates = [...new Set(scores)].sort((a, b) => a - b);
    let low = 0, high = candidates.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (allowed(candidates[middle])) low = middle + 1; else high = middle;
    }
    return low ? candidates[low - 1] : -Infinity;
  }

  /* The cap of one limit: how far a cutoff may go. Rejections are the mirror of misses. */
  function cap(data, limit, toPass, toReject) {
    const rejecting = limit.kind === "false rejection";
    const own = data.fish.label.map((label, i) => i).filter((i) =>
      limit.kind === "pooled miss" ? data.excluded[data.fish.label[i]] : data.classes[data.fish.label[i]] === limit.code);
    const rows = data.mode === "trip" ? data.drawn[limit.kind + " " + limit.code] : own;
    const scores = rows.map((i) => (rejecting ? -toReject[i] : toPass[i]));
    let found;
    if (data.mode === "between-trips") {
      found = bettingCap(scores, rows.map((i) => data.fish.trip[i]), limit.rate, limit.delta);
    } else {
      const rank = allowedRank(scores.length, limit.rate, limit.delta);
      found = rank ? scores.slice().sort((a, b) => a - b)[rank - 1] : -Infinity;
    }
    return { ...limit, n: rows.length, cutoff: rejecting ? -found : found };
  }

  /* Running sums of gains over sorted finite scores: what all scores strictly below (above) a place gain. */
  function steps(scores, gains) {
    const order = scores.map((_, i) => i).filter((i) => Number.isFinite(scores[i])).sort((a, b) => scores[a] - scores[b]);
    const sums = [0];
    order.forEach((i) => sums.push(sums[sums.length - 1] + gains[i]));
    const ranked = order.map((i) => scores[i]);
    const count = (place, strict) => {
      let low = 0, high = ranked.length;
      while (low < high) {
        const middle = (low + high) >> 1;
        if (strict ? ranked[middle] < place : ranked[middle] <= place) low = middle + 1; else high = middle;
      }
      return low;
    };
    return {
      below: (place) => sums[count(place, true)],
      above: (place) => sums[sums.length - 1] - sums[count(place, false)],
    };
  }

  function candidatesOf(toPass, toReject, uCap, vFloor) {
    const finite = [...toPass, ...toReject, uCap, vFloor].filter(Number.isFinite);
    const places = [...new Set(finite)].sort((a, b) => a - b);
    if (!places.length) return [-Infinity, Infinity];
    const width = Math.max(1, places[places.length - 1] - places[0]);
    const ends = [places[0] - 1e-9 * width, places[places.length - 1] + 1e-9 * width];
    return [
      ...(uCap === -Infinity ? [-Infinity] : []), ends[0], ...places, ends[1],
      ...(vFloor === Infinity ? [Infinity] : []),
    ];
  }

  function prepare(toPass, toReject, costs, uCap, vFloor) {
    const places = candidatesOf(toPass, toReject, uCap, vFloor);
    const passing = steps(toPass, costs.pass.map((cost, i) => cost - costs.hold[i]));
    const rejecting = steps(toReject, costs.reject.map((cost, i) => cost - costs.hold[i]));
    const passed = steps(toPass, costs.weight), rejected = steps(toReject, costs.weight);
    const sum = (values) => values.reduce((total, value) => total + Math.abs(value), 0);
    return {
      places,
      f: places.map((place) => (place <= uCap ? passing.below(place) : Infinity)),
      g: places.map((place) => (place >= vFloor ? rejecting.above(place) : Infinity)),
      passed: places.map(passed.below),
      rejected: places.map(rejected.above),
      base: sum(costs.hold),
      tie: TIE * (sum(costs.pass) + sum(costs.hold) + sum(costs.reject)),
    };
  }

  /* The cheapest pair u <= v with at most a share held; null where the limits forbid it. For each v the allowed u
     form a window whose ends never fall, so its minimum is kept in a queue. */
  function search(grid, mostHeld) {
    const queue = [];
    const best = [], first = [];
    let from = 0;
    grid.places.forEach((_, j) => {
      while (queue.length && grid.f[queue[queue.length - 1]] > grid.f[j]) queue.pop();
      queue.push(j);
      while (from <= j && grid.passed[from] < 1 - mostHeld - grid.rejected[j] - TIE) from++;
      while (queue.length && queue[0] < from) queue.shift();
      first.push(from);
      best.push(queue.length ? grid.f[queue[0]] + grid.g[j] : Infinity);
    });
    const least = Math.min(...best);
    if (!Number.isFinite(least)) return null;
    let v = best.length - 1;
    while (best[v] > least + grid.tie) v--;
    let u = first[v];
    while (grid.f[u] > best[v] - grid.g[v] + grid.tie) u++;
    return { u: grid.places[u], v: grid.places[v], cost: grid.base + least };
  }

  function leastHeld(grid) {
    let most = 0, passed = 0;
    grid.places.forEach((_, j) => {
      if (Number.isFinite(grid.f[j])) passed = Math.max(passed, grid.passed[j]);
      if (Number.isFinite(grid.g[j])) most = Math.max(most, passed + grid.rejected[j]);
    });
    return Math.max(0, 1 - most);
  }

  function weighFish(data, demands, toPass, toReject) {
    const counts = data.classes.map((_, k) => data.fish.label.filter((label) => label === k).length);
    const weight = data.fish.label.map((k) => demands.shares[k] / counts[k]);
    const total = weight.reduce((sum, value) => sum + value, 0);
    return {
      counts,
      costs: {
        weight: weight.map((value) => value / total),
        pass: weight.map((value, i) => (data.excluded[data.fish.label[i]] ? value * demands.error[data.fish.label[i]] : 0)),
        hold: weight.map((value, i) => value * demands.hold[data.fish.label[i]]),
        reject: weight.map((value, i) => (data.excluded[data.fish.label[i]] ? 0 : value * demands.error[data.fish.label[i]])),
      },
    };
  }

  /* From demands to cutoffs, cost, load of holds and numbers needed: what decision/outcome.py calls weigh. */
  function weigh(data, demands) {
    const score = gateScores(data, demands), kept = spared(data, demands);
    const toPass = score.map((value, i) => (data.fish.held[i] ? Infinity : value));
    const toReject = score.map((value, i) => (data.fish.held[i] || kept[i] ? -Infinity : value));
    const { counts, costs } = weighFish(data, demands, toPass, toReject);
    const caps = demands.limits.map((limit) => cap(data, limit, toPass, toReject));
    const uCap = Math.min(Infinity, ...caps.filter((one) => one.kind !== "false rejection").map((one) => one.cutoff));
    const vFloor = Math.max(-Infinity, ...caps.filter((one) => one.kind === "false rejection").map((one) => one.cutoff));
    const grid = prepare(toPass, toReject, costs, uCap, vFloor);
    const free = search(grid, 1);
    const asked = Number.isFinite(demands.mostHeld) ? search(grid, demands.mostHeld) : free;
    const choice = asked || free;
    const share = (taken) => costs.weight.reduce((sum, weight, i) => sum + (taken(i) ? weight : 0), 0);
    const passes = (i) => toPass[i] < choice.u, rejects = (i) => toReject[i] > choice.v;
    const byClass = data.classes.map((_, k) => {
      const own = data.fish.label.map((label, i) => i).filter((i) => data.fish.label[i] === k);
      const part = (taken) => (own.length ? own.filter(taken).length / own.length : 0);
      return { fish: counts[k], passed: part(passes), rejected: part((i) => !passes(i) && rejects(i)) };
    });
    return {
      u: choice.u, v: choice.v, cost: choice.cost, uCap, vFloor, caps, byClass,
      withoutLimits: search(prepare(toPass, toReject, costs, Infinity, -Infinity), 1).cost,
      holdAll: grid.base,
      held: share((i) => !passes(i) && !rejects(i)),
      leastHeld: leastHeld(grid),
      capacityMet: Number.isFinite(demands.mostHeld) ? asked !== null : null,
      capacityPrice: asked ? asked.cost - free.cost : null,
    };
  }

  return { allowedRank, needed, weigh };
})();

if (typeof module !== "undefined") module.exports = WhatIf;
