// Keys on the findings page, the way back, and which way a report was reached. Everything works without this file.
"use strict";

const typing = (element) => element && element.closest("input, select, textarea, button, summary");

function move(step) {
  const findings = [...document.querySelectorAll(".finding")];
  if (!findings.length) return;
  const now = findings.indexOf(document.activeElement.closest(".finding"));
  const next = now < 0 ? 0 : Math.min(findings.length - 1, Math.max(0, now + step));
  findings[next].focus();
  findings[next].scrollIntoView({ block: "nearest" });
}

function open(key) {
  const finding = document.activeElement.closest(".finding");
  const target = finding && finding.querySelector(`[data-key="${key}"]`);
  if (!target) return;
  if (target.tagName === "BUTTON") { target.click(); return; }
  target.open = true;
  target.querySelector("input[name=value]").focus();
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  if (event.key === "Escape" && typing(event.target)) {
    const finding = event.target.closest(".finding");
    if (finding) finding.focus();
    return;
  }
  if (typing(event.target)) return;
  const key = event.key.toLowerCase();
  if (key === "j" || key === "k") { event.preventDefault(); move(key === "j" ? 1 : -1); }
  if (["x", "c", "n", "u"].includes(key)) { event.preventDefault(); open(key); }
});

document.addEventListener("DOMContentLoaded", () => {
  const place = document.querySelector(location.hash.startsWith("#finding-") ? location.hash : "#no-such-place");
  if (place) place.focus();
  const back = document.querySelector("[data-back]");
  if (back && history.length > 1) back.addEventListener("click", (event) => { event.preventDefault(); history.back(); });
});
