// Keys on the findings page, the way back, and what a refused change says. Everything works without this file.
"use strict";

const typing = (element) => element && element.closest("input, select, textarea, button, summary");
const findings = () => [...document.querySelectorAll(".finding")];
const decided = []; // ids of findings in the order in which they were decided on this page

function look(finding) {
  finding.focus({ preventScroll: true });
  finding.scrollIntoView({ block: "nearest" });
}

function move(step) {
  const all = findings();
  if (!all.length) return;
  const now = all.indexOf(document.activeElement.closest(".finding"));
  const first = all.find((one) => !("decided" in one.dataset)) || all[0];
  look(now < 0 ? first : all[Math.min(all.length - 1, Math.max(0, now + step))]);
}

// After a decision: the next finding that waits for one, else where we are.
function goOn(from) {
  const all = findings(), at = all.indexOf(from);
  look(all.slice(at + 1).find((one) => !("decided" in one.dataset)) || from);
}

// What a key means in a finding; U means the last decision where nothing in focus can be undone.
function meant(key) {
  const within = (finding) => finding && finding.querySelector(`[data-key="${CSS.escape(key)}"]`);
  const here = within(document.activeElement.closest(".finding"));
  if (here || key !== "u") return here;
  while (decided.length) {
    const last = document.getElementById(decided.pop()), target = within(last);
    if (target) { look(last); return target; }
  }
  return null;
}

// A picture as large as the window, over the page; P again shows the next one, at last the page.
function enlarge(link) {
  const over = document.getElementById("large"), old = over.querySelector("img");
  const picture = document.createElement("img");
  picture.src = link.href;
  picture.alt = link.querySelector("img").alt;
  if (old) old.replaceWith(picture); else over.append(picture);
  over.links = [...link.parentElement.querySelectorAll("a")];
  over.at = over.links.indexOf(link);
  if (!over.open) over.showModal();
}

function open(key) {
  const target = meant(key);
  if (!target) return false;
  if (key === "p") { const link = target.querySelector("a"); if (link) enlarge(link); return Boolean(link); }
  if (target.tagName === "BUTTON") { target.click(); return true; }
  target.open = true;
  const field = target.querySelector("select:invalid") || target.querySelector("input[name=value]") || target.querySelector("select");
  field.focus();
  if (field.select) field.select();
  return true;
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const over = document.querySelector("dialog[open]");
  if (over) {
    const next = over.links[over.at + 1];
    if (event.key.toLowerCase() === "p") { if (next) enlarge(next); else over.close(); }
    return;
  }
  if (event.key === "Escape" && typing(event.target)) {
    const finding = event.target.closest(".finding");
    if (finding) finding.focus();
    return;
  }
  if (typing(event.target)) return;
  const key = event.key.toLowerCase();
  if (key === "j" || key === "k") { event.preventDefault(); move(key === "j" ? 1 : -1); }
  if (/^[a-z[\]]$/.test(key) && open(key)) { event.preventDefault(); return; }
  const button = document.querySelector(`[data-key-page="${CSS.escape(key)}"]`);
  if (button) { event.preventDefault(); button.click(); }
});

// On a narrow screen each line of a list becomes a block (style.css): its cells then say their headings themselves,
// and the roles keep it a table for those who hear it.
function sayHeadings(table) {
  const heads = [...table.querySelectorAll("thead th")].map((one) => one.textContent.trim());
  table.setAttribute("role", "table");
  for (const row of table.rows) {
    row.setAttribute("role", "row");
    [...row.cells].forEach((cell, at) => {
      const isHead = cell.tagName === "TH";
      cell.setAttribute("role", !isHead ? "cell" : cell.closest("thead") ? "columnheader" : "rowheader");
      if (!isHead && heads[at]) cell.dataset.label = heads[at];
    });
  }
}

const sayAllHeadings = () => document.querySelectorAll(".list table:has(thead):not([role])").forEach(sayHeadings);

document.addEventListener("DOMContentLoaded", () => {
  sayAllHeadings();
  const place = document.querySelector(/^#(finding|series)-\d+$/.test(location.hash) ? location.hash : "#no-such-place");
  if (place) place.focus();
  document.addEventListener("click", (event) => {
    const link = event.target.closest(".finding .pictures a"), plain = !(event.ctrlKey || event.metaKey || event.shiftKey);
    if (link && plain && document.getElementById("large")) { event.preventDefault(); enlarge(link); }
  });
  const print = document.querySelector("[data-print]");
  if (print) print.addEventListener("click", () => window.print());
  const back = document.querySelector("[data-back]");
  if (back && history.length > 1) back.addEventListener("click", (event) => { event.preventDefault(); history.back(); });
  let then = null;
  document.body.addEventListener("htmx:beforeRequest", (event) => {
    const finding = event.detail.elt.closest(".finding");
    then = finding && { id: finding.id, decides: "then" in event.detail.elt.dataset, next: event.detail.elt.dataset.then === "next" };
  });
  document.body.addEventListener("htmx:afterSettle", () => {
    sayAllHeadings();
    const finding = then && document.getElementById(then.id);
    if (finding && then.decides) decided.push(then.id);
    const elsewhere = document.activeElement !== document.body && !(finding && finding.contains(document.activeElement));
    if (finding && !elsewhere) { if (then.next) goOn(finding); else look(finding); }
    then = null;
  });
  document.body.addEventListener("htmx:responseError", (event) => {
    const said = document.getElementById("said");
    if (said) { said.textContent = event.detail.xhr.responseText; said.scrollIntoView({ block: "center" }); }
  });
});
