// Filter, search and sort of the vehicles' table. The page holds everything; nothing is asked from anywhere.
"use strict";
const table = document.getElementById("vehicles");
const rows = [...table.tBodies[0].rows];
const search = document.getElementById("search");
const choice = document.getElementById("choice");
const shown = document.getElementById("shown");
const filter = () => {
  const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
  let count = 0;
  for (const row of rows) {
    const text = row.textContent.toLowerCase();
    const kept = words.every((word) => text.includes(word)) && (!choice.value || row.dataset.group.split(" ").includes(choice.value));
    row.hidden = !kept;
    count += kept;
  }
  shown.textContent = `${count} of ${rows.length} shown`;
};
const value = (row, column) => {
  const cell = row.cells[column];
  return cell.dataset.sort === undefined ? cell.textContent.trim().toLowerCase() : cell.dataset.sort === "" ? null : Number(cell.dataset.sort);
};
const sort = (button, column) => {
  const down = button.getAttribute("aria-sort") === "ascending";
  for (const head of table.tHead.rows[0].cells) head.removeAttribute("aria-sort");
  button.setAttribute("aria-sort", down ? "descending" : "ascending");
  const order = (a, b) => {
    const [one, two] = [value(a, column), value(b, column)];
    if (one === null || two === null) return (one === null) - (two === null);
    return (one < two ? -1 : one > two ? 1 : 0) * (down ? -1 : 1);
  };
  table.tBodies[0].append(...rows.sort(order));
};
[...table.tHead.rows[0].cells].forEach((head, column) => {
  head.querySelector("button").addEventListener("click", () => sort(head, column));
});
search.addEventListener("input", filter);
choice.addEventListener("change", filter);
document.getElementById("controls").hidden = false;
filter();
