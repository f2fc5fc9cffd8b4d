/* Sorting and filters of the table. Without this script the page shows everything in order of review priority. */
(() => {
  "use strict";
  const form = document.getElementById("filters");
  const table = document.getElementById("exams");
  const groups = [...table.tBodies];
  const rows = [...table.querySelectorAll("tr.exam")].map((row, place) => ({
    row, place, group: row.parentElement, text: row.textContent.toLocaleLowerCase(),
  }));
  const sorted = document.createElement("tbody");
  table.append(sorted);
  const alphabet = new Intl.Collator("en", { numeric: true });
  const compare = {
    animal: (a, b) => alphabet.compare(a.animal, b.animal),
    day: (a, b) => alphabet.compare(b.day, a.day),
    eggs: (a, b) => b.eggs - a.eggs,
    stage: (a, b) => (a.stage === "") - (b.stage === "") || alphabet.compare(a.stage, b.stage),
  };

  // The column heads become buttons. They do the same as the fields of the form.
  for (const head of table.querySelectorAll("th[data-order]")) {
    const button = document.createElement("button");
    button.type = "button";
    button.append(...head.childNodes);
    head.append(button);
    button.addEventListener("click", () => {
      form.reversed.checked = form.order.value === head.dataset.order && !form.reversed.checked;
      form.order.value = head.dataset.order;
      show();
    });
  }

  function show() {
    const order = form.order.value;
    const direction = form.reversed.checked ? -1 : 1;
    const text = form.text.value.trim().toLocaleLowerCase();
    const isShown = ({ row, group, text: rowText }) =>
      rowText.includes(text)
      && (!form.group.value || group.dataset.group === form.group.value)
      && (!form.seen.value || row.dataset.seen === form.seen.value)
      && (!form.day.value || row.dataset.day === form.day.value);
    const byOrder = order === "priority"
      ? (a, b) => direction * (a.place - b.place)
      : (a, b) => direction * compare[order](a.row.dataset, b.row.dataset) || a.place - b.place;
    const inOrder = [...rows].sort(byOrder);
    const grouped = order === "priority" && direction > 0;
    for (const one of inOrder) {
      one.row.hidden = !isShown(one);
      (grouped ? one.group : sorted).append(one.row);
    }
    for (const group of groups) group.hidden = !grouped || !group.querySelector("tr.exam:not([hidden])");
    for (const head of table.querySelectorAll("th[data-order]")) {
      const first = ["eggs", "day"].includes(order) ? "descending" : "ascending";
      const second = first === "ascending" ? "descending" : "ascending";
      if (head.dataset.order === order) head.setAttribute("aria-sort", direction > 0 ? first : second);
      else head.removeAttribute("aria-sort");
    }
    const shown = rows.filter(({ row }) => !row.hidden).length;
    form.querySelector("output").value = `${shown} of ${rows.length} ${rows.length === 1 ? "exam" : "exams"} shown`;
  }

  form.addEventListener("input", show);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(show));
  // A browser that comes back to the page restores the fields as they were.
  addEventListener("pageshow", show);
  // On a phone the filters are closed, so that the list comes first.
  form.parentElement.open = matchMedia("(min-width: 641px)").matches;
  form.parentElement.hidden = false;
  show();
})();
