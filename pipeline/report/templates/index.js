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
    // What is asked for again and again is read once: with thousands of rows the page itself is slow to ask.
    const rows = groups.flatMap((group) =>
      [...group.querySelectorAll("tr.exam")].map((row) => ({ row, group, key: group.dataset.group, ...row.dataset })));
    rows.forEach((one, place) => (one.place = place));
    const sorted = document.createElement("tbody");
    const more = document.getElementById("more");
    const alphabet = new Intl.Collator("en", { numeric: true });
    const compare = {
      animal: (a, b) => alphabet.compare(a.animal, b.animal),
      day: (a, b) => (a.day < b.day ? 1 : a.day > b.day ? -1 : 0),
      eggs: (a, b) => b.eggs - a.eggs,
      stage: (a, b) => (a.stage === "") - (b.stage === "") || alphabet.compare(a.stage, b.stage),
    };
    const inOrder = { priority: rows };
    let limit = step; // rows that are laid out; a browser needs a second for thousands
    let shown = new Set();
    let moved = [];
    table.append(sorted);
    for (const row of table.querySelectorAll(".late")) row.hidden = true;
    table.classList.add("listed");
    for (const one of rows) if (!one.row.hidden) shown.add(one);

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
      const reversed = form.reversed.checked;
      const grouped = order === "priority" && !reversed;
      const passing = ordered(order, reversed).filter(passes());
      arrange(grouped, passing.slice(0, limit));
      markHeads(order, reversed);
      more.parentElement.hidden = passing.length <= limit;
      more.textContent = `Show ${Math.min(5 * step, passing.length - limit)} more of ${passing.length - limit}`;
      const noun = rows.length === 1 ? "exam" : "exams";
      const listed = passing.length > limit ? `, the first ${limit} listed` : "";
      form.querySelector("output").value = `${passing.length} of ${rows.length} ${noun} shown${listed}`;
    }

    function ordered(order, reversed) {
      inOrder[order] ??= [...rows].sort((a, b) => compare[order](a, b) || a.place - b.place);
      return reversed ? [...inOrder[order]].reverse() : inOrder[order];
    }

    function passes() {
      const text = form.text.value.trim().toLocaleLowerCase();
      const [group, seen, day] = [form.group.value, form.seen.value, form.day.value];
      return (one) =>
        (!group || one.key === group)
        && (!seen || one.seen === seen)
        && (!day || one.day === day)
        && (!text || (one.text ??= one.row.textContent.toLocaleLowerCase()).includes(text));
    }

    /* Show these rows and no others: in their groups, or one below the other. */
    function arrange(grouped, wanted) {
      for (const { row, group, place } of moved.sort((a, b) => b.place - a.place)) {
        const next = rows[place + 1];
        group.insertBefore(row, next?.group === group ? next.row : null);
      }
      moved = grouped ? [] : [...wanted];
      sorted.append(...moved.map(({ row }) => row));
      const now = new Set(wanted);
      for (const one of shown) if (!now.has(one)) one.row.hidden = true;
      for (const one of now) if (!shown.has(one)) one.row.hidden = false;
      shown = now;
      const filled = new Set(grouped ? wanted.map(({ group }) => group) : []);
      for (const group of groups) group.hidden = group.rows[0].hidden = !filled.has(group);
    }

    function markHeads(order, reversed) {
      const first = ["eggs", "day"].includes(order) ? "descending" : "ascending";
      const second = first === "ascending" ? "descending" : "ascending";
      for (const head of table.querySelectorAll("th[data-order]")) {
        if (head.dataset.order === order) head.setAttribute("aria-sort", reversed ? second : first);
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
