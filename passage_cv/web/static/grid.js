// A grid to key into: Enter goes down a column, Ctrl and D repeats the cell above. The grid works without it.
"use strict";

document.addEventListener("keydown", (event) => {
  const cell = event.target.closest(".grid input");
  if (!cell) return;
  const row = cell.closest("tr"), at = [...row.querySelectorAll("input")].indexOf(cell);
  const beside = (other) => other && other.querySelectorAll("input")[at];
  if (event.key === "Enter") {
    event.preventDefault();
    const to = beside(event.shiftKey ? row.previousElementSibling : row.nextElementSibling);
    if (to) { to.focus(); to.select(); }
  }
  if (event.key.toLowerCase() === "d" && event.ctrlKey) {
    event.preventDefault();
    const above = beside(row.previousElementSibling);
    if (above) cell.value = above.value;
  }
});

// Whoever leaves with cells that were not kept is asked first.
let keeps = false;
document.addEventListener("submit", (event) => { keeps = Boolean(event.target.querySelector(".grid")); });
window.addEventListener("beforeunload", (event) => {
  const unkept = [...document.querySelectorAll(".grid input")].some((cell) => cell.value !== cell.defaultValue);
  if (unkept && !keeps) event.preventDefault();
});
