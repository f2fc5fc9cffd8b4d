/* Sorting and filters of the table, search in other seasons, and a warning when the page is old. Without this script the
   list goes on from page to page, in order of review priority. */
(() => {
  "use strict";
  const { plural = "", sentences = {} } = JSON.parse(document.getElementById("sentences").textContent);
  const language = document.documentElement.lang;
  const filled = (text, values) => text.replace(/\{(\w+)\}/g, (_, name) => values[name]);
  warnIfOld(document.getElementById("run"));
  const table = document.getElementById("exams");
  if (table) addPackedRows(table).then(() => listExams(table, document.getElementById("filters")));

  /* A sentence in the language of the page, with its values. */
  function gettext(message, values = {}) {
    return filled(sentences[message] ?? message, values);
  }

  /* The same in the form that goes with a number, which is its value ``number``. */
  function ngettext(one, many, number, values = {}) {
    const form = sentences[one]?.[plural[number] ?? plural[100 + (number % 100)]];
    return filled(form ?? (number === 1 ? one : many), { number, ...values });
  }

  /* Of gzip in base64. */
  async function unpacked(text) {
    const bytes = Uint8Array.from(atob(text), (character) => character.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).text();
  }

  /* The rows of the further pages, so that sorting and filters have all of them. */
  async function addPackedRows(table) {
    const packed = document.getElementById("packed");
    if (!packed || !window.DecompressionStream) return;
    const html = await unpacked(packed.textContent);
    const further = new DOMParser().parseFromString(`<table>${html}</table>`, "text/html");
    for (const group of further.querySelectorAll("tbody")) {
      for (const row of group.querySelectorAll("tr.exam")) row.hidden = true;
      const begun = table.querySelector(`tbody[data-group="${group.dataset.group}"]`);
      if (begun) begun.append(...group.querySelectorAll("tr.exam"));
      else table.append(group);
    }
    document.getElementById("parts").hidden = true;
  }

  function warnIfOld(line) {
    const hours = line ? (Date.now() - Date.parse(line.dataset.ended)) / 3.6e6 : 0;
    if (!line || hours <= Number(line.dataset.staleAfterHours)) return;
    const warning = document.createElement("b");
    const text = hours < 72
      ? ngettext(
        "This page is {number} hour old: no run has ended since.",
        "This page is {number} hours old: no run has ended since.",
        Math.floor(hours),
      )
      : ngettext(
        "This page is {number} day old: no run has ended since.",
        "This page is {number} days old: no run has ended since.",
        Math.floor(hours / 24),
      );
    warning.textContent = `${text} `;
    line.classList.add("old");
    line.prepend(warning);
  }

  /* The files of the other seasons are loaded when they are first asked for. */
  function searchOtherSeasons(form) {
    const section = document.getElementById("other-seasons");
    if (!section) return;
    const most = 100; // exams that are listed
    const seasons = [];
    window.addSeason = async (season, packed) => {
      const rows = JSON.parse(await unpacked(packed));
      seasons.push(...rows.map((row) => [`${row[0]} ${row[1]}`.toLocaleLowerCase(), row]));
      seasons.sort(([, a], [, b]) => (a[2] < b[2] ? 1 : a[2] > b[2] ? -1 : 0));
      list();
    };

    function list() {
      const text = form.text.value.trim().toLocaleLowerCase();
      section.hidden = !form.every.checked || !text;
      if (section.hidden) return;
      const found = seasons.filter(([words]) => words.includes(text)).map(([, row]) => row);
      const items = found.slice(0, most).map(([animal, species, day, count, address]) => {
        const [item, link] = [document.createElement("li"), document.createElement("a")];
        link.href = address;
        link.textContent = animal;
        item.append(link, `, ${species}, ${day}: ${count}`);
        return item;
      });
      section.querySelector("ol").replaceChildren(...items);
      section.querySelector("small").textContent = found.length > most
        ? gettext("{number} found, the first {most} listed", { number: found.length, most })
        : ngettext("{number} found", "{number} found", found.length);
    }

    form.every.addEventListener("change", () => {
      for (const file of section.dataset.files.split(" ")) {
        const script = document.createElement("script");
        script.src = file;
        document.head.append(script);
      }
    }, { once: true });
    form.addEventListener("input", list);
    form.addEventListener("reset", () => setTimeout(list));
  }

  function listExams(table, form) {
    const step = Number(table.dataset.shownRows);
    const groups = [...table.tBodies];
    // What is asked for again and again is read once: with thousands of rows the page itself is slow to ask.
    const rows = groups.flatMap((group) =>
      [...group.querySelectorAll("tr.exam")].map((row) => ({
        row, group, key: group.dataset.group, ...row.dataset,
        animal: row.querySelector("a").textContent, stage: row.cells[3].textContent,
      })));
    rows.forEach((one, place) => (one.place = place));
    const sorted = document.createElement("tbody");
    const more = document.getElementById("more");
    const alphabet = new Intl.Collator(language, { numeric: true });
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
    searchOtherSeasons(form);
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
      const left = passing.length - limit;
      more.textContent = gettext("Show {number} more of {left}", { number: Math.min(5 * step, left), left });
      const values = { shown: passing.length, limit };
      form.querySelector("output").value = left > 0
        ? ngettext(
          "{shown} of {number} exam shown, the first {limit} listed",
          "{shown} of {number} exams shown, the first {limit} listed",
          rows.length,
          values,
        )
        : ngettext("{shown} of {number} exam shown", "{shown} of {number} exams shown", rows.length, values);
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
