/* Sorting and filters of the table, and a warning when the page is old. Without this script the page shows everything in
   order of review priority. */
(() => {
  "use strict";
  warnIfOld(document.getElementById("run"));
  const table = document.getElementById("exams");
  if (table) listExams(table, document.getElementById("filters"));

  function warnIfOld(line) {
    const hours = line ? (Date.now() - Date.parse(line.dataset.ended)) / 3.6e6 : 0;
    if (!line || hours <= Number(line.dataset.staleAfterHours)) return;
    const age = hours < 72 ? `${Math.floor(hours)} hours` : `${Math.floor(hours / 24)} days`;
    const warning = document.createElement("b");
    warning.textContent = `This page is ${age} old: no run has ended since. `;
    line.classList.add("old");
    line.prepend(warning);
  }

  function listExams(table, form) {
    const step = Number(table.dataset.shownRows);
    const groups = [...table.tBodies];
    const rows = [...table.querySelectorAll("tr.exam")].map((row, place) => ({ row, place, group: row.parentElement }));
    const sorted = document.createElement("tbody");
    const more = document.getElementById("more");
    const alphabet = new Intl.Collator("en", { numeric: true });
    const compare = {
      animal: (a, b) => alphabet.compare(a.animal, b.animal),
      day: (a, b) => (a.day < b.day ? 1 : a.day > b.day ? -1 : 0),
      eggs: (a, b) => b.eggs - a.eggs,
      stage: (a, b) => (a.stage === "") - (b.stage === "") || alphabet.compare(a.stage, b.stage),
    };
    let limit = step; // rows that are laid out; a browser needs a second for thousands
    let isGrouped = true;
    table.append(sorted);
    for (const row of table.querySelectorAll(".late")) {
      row.hidden = true;
      row.classList.remove("late");
    }

    // The column heads become buttons. They do the same as the fields of the form.
    for (const head of table.querySelectorAll("th[data-order]")) {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        form.reversed.checked = form.order.value === head.dataset.order && !form.reversed.checked;
        form.order.value = head.dataset.order;
        begin();
      });
    }

    function show() {
      const order = form.order.value;
      const direction = form.reversed.checked ? -1 : 1;
      const grouped = order === "priority" && direction > 0;
      const passing = rows.filter(passes(form.text.value.trim().toLocaleLowerCase()));
      if (order !== "priority") {
        passing.sort((a, b) => direction * compare[order](a.row.dataset, b.row.dataset) || a.place - b.place);
      } else if (!grouped) passing.reverse();
      const shown = new Set(passing.slice(0, limit));
      arrange(grouped, shown);
      for (const one of rows) if (one.row.hidden === shown.has(one)) one.row.hidden = !shown.has(one);
      const filled = new Set([...shown].map(({ group }) => group));
      for (const group of groups) {
        group.hidden = !grouped || !filled.has(group);
        group.rows[0].hidden = group.hidden;
      }
      markHeads(order, direction);
      more.parentElement.hidden = passing.length <= limit;
      more.textContent = `Show ${Math.min(5 * step, passing.length - limit)} more of ${passing.length - limit}`;
      const noun = rows.length === 1 ? "exam" : "exams";
      const listed = passing.length > limit ? `, the first ${limit} listed` : "";
      form.querySelector("output").value = `${passing.length} of ${rows.length} ${noun} shown${listed}`;
    }

    function passes(text) {
      const { group, seen, day } = form;
      return (one) =>
        (!group.value || one.group.dataset.group === group.value)
        && (!seen.value || one.row.dataset.seen === seen.value)
        && (!day.value || one.row.dataset.day === day.value)
        && (!text || (one.text ??= one.row.textContent.toLocaleLowerCase()).includes(text));
    }

    /* Put the rows where they belong: into their groups, or one below the other. */
    function arrange(grouped, shown) {
      if (!grouped) sorted.append(...[...shown].map(({ row }) => row));
      else if (!isGrouped) for (const { row, group } of rows) group.append(row);
      isGrouped = grouped;
    }

    function markHeads(order, direction) {
      const first = ["eggs", "day"].includes(order) ? "descending" : "ascending";
      const second = first === "ascending" ? "descending" : "ascending";
      for (const head of table.querySelectorAll("th[data-order]")) {
        if (head.dataset.order === order) head.setAttribute("aria-sort", direction > 0 ? first : second);
        else head.removeAttribute("aria-sort");
      }
    }

    function begin() {
      limit = step;
      show();
    }

    more.addEventListener("click", () => {
      limit += 5 * step;
      show();
    });
    form.addEventListener("input", begin);
    form.addEventListener("submit", (event) => event.preventDefault());
    form.addEventListener("reset", () => setTimeout(begin));
    // A browser that comes back to the page restores the fields as they were.
    addEventListener("pageshow", begin);
    // What is printed is what the filters leave, without the limit.
    addEventListener("beforeprint", () => {
      limit = Infinity;
      show();
    });
    addEventListener("afterprint", begin);
    // On a phone the filters are closed, so that the list comes first.
    form.parentElement.open = matchMedia("(min-width: 641px)").matches;
    form.parentElement.hidden = false;
    begin();
  }
})();
