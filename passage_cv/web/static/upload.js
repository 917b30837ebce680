// Sends files of a batch over tus: hash first, skip what is there, three at once, go on after any interruption.
// Where a sheet or a zip was among them, the check begins by itself when all have arrived; what failed is sent again
// by one press, as the page still holds the files.
"use strict";

document.addEventListener("DOMContentLoaded", () => {
  const drop = document.getElementById("drop");
  if (!drop) return;
  const words = drop.dataset;
  const sending = document.getElementById("sending"), bar = document.getElementById("bar");
  const told = document.getElementById("told"), pause = document.getElementById("pause");
  const moving = document.getElementById("moving"), checkAfter = document.getElementById("check-after");
  const again = document.getElementById("again");
  const AT_ONCE = 3, PIECE = 16 << 20, ASK_AGAIN_MS = 1000;
  const queue = [], active = new Map(), failed = [], pace = new Pace();
  let there = {}, all = 0, done = 0, bytes = 0, sent = 0, paused = false, known = null, hasSheet = false, signedOut = false;

  const fill = (text, values) => text.replace(/\{(\w+)\}/g, (_, key) => values[key]);
  const size = (n) => { const units = ["B", "kB", "MB", "GB"]; let i = 0; while (n >= 1000 && i < 3) { n /= 1000; i++; } return `${n.toFixed(0)} ${units[i]}`; };
  const time = (s) => (s < 90 ? `${Math.ceil(s)} s` : s < 5400 ? `${Math.ceil(s / 60)} min` : `${(s / 3600).toFixed(1)} h`);

  const now = () => performance.now() / 1000;
  const isSending = () => [...active.values()].some((one) => one.upload);

  function tell() {
    const arrived = sent + [...active.values()].reduce((sum, one) => sum + one.sent, 0);
    bar.max = Math.max(bytes, 1); bar.value = arrived;
    let text = fill(words.sending, { done, all, sent: size(arrived), size: size(bytes) });
    const left = arrived < bytes ? pace.left(bytes - arrived) : null;
    if (left !== null) text += `, ${fill(words.left, { left: time(left) })}`;
    if (!navigator.onLine) text = `${words.offline} ${text}`;
    if (signedOut) text = words.signedout;
    told.textContent = text;
    tellEach();
  }

  // One line per file that is on its way.
  function tellEach() {
    for (const row of [...moving.children]) if (!active.has(row.dataset.name)) row.remove();
    for (const [name, entry] of active) {
      const row = entry.row || (entry.row = rowOf(name, entry));
      if (!row.isConnected) moving.append(row);
      row.querySelector("progress").value = entry.sent;
      row.querySelector("span").textContent = entry.upload ? `${size(entry.sent)} / ${size(entry.size)}` : fill(words.reading, { name: "" }).trim();
    }
  }

  function rowOf(name, entry) {
    const row = document.createElement("li"), progress = document.createElement("progress"), text = document.createElement("span");
    row.dataset.name = name;
    progress.max = Math.max(1, entry.size);
    progress.setAttribute("aria-label", name);
    row.append(name, " ", progress, " ", text);
    return row;
  }

  // What is there already, asked for until the server answers; null where nobody is signed in any more.
  async function received() {
    for (;;) {
      const answer = await fetch(`/batches/${words.batch}/received`).catch(() => null);
      if (answer && answer.ok) return answer.redirected ? null : answer.json();
      if (answer && answer.status < 500 && answer.status !== 429) return null;
      await new Promise((again) => setTimeout(again, ASK_AGAIN_MS));
    }
  }

  // Files are in the queue before the server is asked: what was chosen while the line was down goes when it is back.
  async function add(files) {
    if (!files.length) return;
    sending.hidden = false;
    for (const [file, name] of files) {
      queue.push([file, name]);
      all++;
      bytes += file.size;
      hasSheet = hasSheet || /\.(csv|xlsx|zip)$/i.test(name);
    }
    tell();
    known = known || received();
    const found = await known;
    if (!found) { lose(); return; }
    there = found;
    tell();
    next();
  }

  function next() {
    if (signedOut) return;
    while (!paused && active.size < AT_ONCE && queue.length) send(...queue.shift());
    if (!active.size && !queue.length && all) finished();
  }

  function finished() {
    if (failed.length) {
      told.textContent = fill(words.failed, { n: failed.length, names: failed.slice(0, 10).map(([, name]) => name).join(", ") });
      again.hidden = false;
      return;
    }
    told.textContent = words.finished;
    if (hasSheet && checkAfter.checked) check(); else location.reload();
  }

  // Nobody is signed in here any more: what arrived stays, and the same files go on after signing in.
  function lose() {
    signedOut = true;
    for (const one of active.values()) if (one.upload) one.upload.abort();
    active.clear();
    pause.hidden = again.hidden = true;
    tell();
  }

  async function check() {
    const form = new URLSearchParams({ mark: words.mark });
    await fetch(`/batches/${words.batch}/check`, { method: "POST", body: form, redirect: "manual" });
    location.reload();
  }

  // A server that is away, busy, or was asked too often answers otherwise a little later.
  const mayPass = (answer) => !answer || answer.getStatus() >= 500 || [409, 423, 429].includes(answer.getStatus());

  // Another picture of the same moment goes beside the first; any other file sent again replaces the one there.
  function freeName(name, sha256) {
    const taken = name.startsWith("tablet/") && there[name] && there[name].sha256 !== sha256;
    return taken ? name.replace(/(\.\w+)$/, `-${sha256.slice(0, 8)}$1`) : name;
  }

  // A picture of a tablet is known by its bytes, whatever moment it is called after.
  function isThere(name, sha256) {
    if (name.startsWith("tablet/")) return Object.values(there).some((one) => one.sha256 === sha256);
    return Boolean(there[name]) && there[name].sha256 === sha256;
  }

  async function send(file, name) {
    const entry = { sent: 0, size: file.size, upload: null, row: null, begun: true };
    active.set(name, entry);
    tellEach();
    const close = (ok) => { active.delete(name); if (ok) { done++; sent += file.size; } else failed.push([file, name]); if (!isSending()) pace.rest(); tell(); next(); };
    let sha256;
    try { sha256 = await sha256OfFile(file); } catch { close(false); return; }
    if (signedOut) return;
    if (isThere(name, sha256)) { close(true); return; }
    const kept = freeName(name, sha256);
    entry.upload = new tus.Upload(file, {
      endpoint: "/uploads",
      headers: { "X-Form-Mark": words.mark },
      metadata: { batch: words.batch, filename: kept, sha256 },
      chunkSize: PIECE,
      uploadDataDuringCreation: true,
      removeFingerprintOnSuccess: true,
      fingerprint: async () => `passage-${words.batch}-${kept}-${sha256}`,
      retryDelays: [0, 500, 1000, 2000, 4000, 8000, 16000, 30000],
      onShouldRetry: (error) => { pace.rest(); return !signedOut && navigator.onLine && mayPass(error.originalResponse); },
      onProgress: (arrived) => {
        if (entry.begun && arrived >= entry.sent) pace.sent(arrived - entry.sent, now());
        entry.begun = true;
        entry.sent = arrived;
        tell();
      },
      // Stopped before the library forgets where this file is: after signing in it goes on there.
      onAfterResponse: (_, answer) => { if (answer.getStatus() === 401) { lose(); throw new Error("signed out"); } },
      onSuccess: () => { there[kept] = { bytes: file.size, sha256 }; close(true); },
      onError: () => { if (navigator.onLine && !signedOut) close(false); else tell(); },
    });
    const earlier = await entry.upload.findPreviousUploads();
    if (earlier.length) { entry.upload.resumeFromPreviousUpload(earlier[0]); entry.begun = false; }
    if (!paused && !signedOut) begin(entry.upload);
  }

  function begin(upload) { pace.go(now()); upload.start(); }

  // The library gives up at once when the browser says that the line is down: begin again when it is back.
  window.addEventListener("online", () => { tell(); for (const one of active.values()) if (one.upload && !paused) begin(one.upload); });
  window.addEventListener("offline", () => { pace.rest(); tell(); });
  window.addEventListener("beforeunload", (event) => { if (!signedOut && (active.size || queue.length)) event.preventDefault(); });
  pause.addEventListener("click", () => {
    paused = !paused;
    pause.textContent = paused ? words.resume : words.stop;
    if (paused) pace.rest();
    for (const one of active.values()) if (one.upload) { if (paused) one.upload.abort(); else begin(one.upload); }
    if (!paused) next();
  });
  again.addEventListener("click", () => {
    again.hidden = true;
    queue.push(...failed.splice(0));
    tell();
    next();
  });

  const named = (list) => [...list].filter((file) => !file.name.startsWith(".")).map((file) => [file, file.webkitRelativePath || file.name]);
  document.getElementById("files").addEventListener("change", (event) => add(named(event.target.files)));
  // A tablet calls every picture alike: the moment it was taken tells them apart, within one second their number.
  let taken = 0;
  const moment = (file) => `tablet/${new Date(file.lastModified).toISOString().replace(/[:.]/g, "").slice(0, 17)}-${++taken}.${file.name.split(".").pop().toLowerCase()}`;
  document.getElementById("camera").addEventListener("change", (event) => add([...event.target.files].map((file) => [file, moment(file)])));
  document.getElementById("folder").addEventListener("change", (event) => add(named(event.target.files)));

  async function walk(entry, path) {
    if (entry.isFile) {
      const file = await new Promise((found, lost) => entry.file(found, lost));
      return file.name.startsWith(".") ? [] : [[file, path + file.name]];
    }
    const reader = entry.createReader(), found = [];
    for (;;) {
      const some = await new Promise((read, lost) => reader.readEntries(read, lost));
      if (!some.length) return found;
      for (const one of some) found.push(...(await walk(one, `${path}${entry.name}/`)));
    }
  }
  drop.addEventListener("dragover", (event) => { event.preventDefault(); drop.classList.add("over"); });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", async (event) => {
    event.preventDefault();
    drop.classList.remove("over");
    const entries = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry()).filter(Boolean);
    const found = [];
    for (const entry of entries) found.push(...(await walk(entry, "")));
    add(found);
  });
});
