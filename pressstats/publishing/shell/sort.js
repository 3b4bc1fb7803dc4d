// Puts buttons into the heads of tables: pressed once and twice they sort its rows, a third time they undo it. Marks
// tables that are wider than their room, and of rows that are blocks on a phone shows the first few until asked.
(() => {
  "use strict";
  const collator = new Intl.Collator("en", { numeric: true });
  const months = "JanFebMarAprMayJunJulAugSepOctNovDec";
  const day = /^(Mon|Tue|Wed|Thu|Fri|Sat|Sun)\s(\d{1,2})\s([A-Z][a-z]{2})(?:\s(\d{4}))?(?:\s(\d\d):(\d\d))?/;
  const month = /^([A-Z][a-z]{2})\s(\d{4})$/;
  const number = /^[+-]?\d[\d ]*(?:\.\d+)?(?![\d-])/;
  const states = ["act", "watch", "unknown", "in-control"];
  const asOf = document.querySelector(".as-of time");
  const today = asOf ? Date.parse(asOf.dateTime) : 0;

  // A day without a year is the nearest to as-of that falls on its weekday.
  function moment([, weekday, place, name, year, hour, minute]) {
    const at = (its) => Date.UTC(its, months.indexOf(name) / 3, place, hour || 0, minute || 0);
    if (year) return at(year);
    const now = new Date(today).getUTCFullYear();
    const same = [now - 1, now, now + 1].map(at).filter((one) => new Date(one).toUTCString().startsWith(weekday));
    return same.sort((a, b) => Math.abs(a - today) - Math.abs(b - today))[0] ?? at(now);
  }

  // What a cell is sorted by: a number where it has one, and its words; nothing where it is blank.
  function key(cell) {
    const state = cell.querySelector(".state");
    if (state) return { size: states.findIndex((name) => state.classList.contains(`state-${name}`)), words: "" };
    const shown = cell.querySelector("bdi") || cell;
    const words = shown.textContent.trim().replace(/[\u00a0\u202f]/g, " ").replace(/\u2212/g, "-");
    if (words === "\u2013" || words === "") return null;
    const date = day.exec(words);
    if (date) return { size: moment(date), words };
    const of = month.exec(words);
    if (of) {
      const [, name, year] = of;
      return { size: 12 * year + months.indexOf(name) / 3, words };
    }
    const leading = number.exec(words);
    return { size: leading ? parseFloat(leading.toString().replace(/ /g, "")) : NaN, words };
  }

  function sorted(rows, place, down) {
    const keys = rows.map((row) => key(row.cells[place]));
    const numeric = keys.every((one) => one === null || !Number.isNaN(one.size));
    const compare = (a, b) => (numeric && a.size - b.size) || collator.compare(a.words, b.words);
    // sums stay below what they are of, and what is not known below all that is
    const last = rows.map((row, at) => (/^all\b/.test(row.cells[0].textContent) ? 2 : Number(keys[at] === null)));
    return rows
      .map((row, at) => at)
      .sort((a, b) => last[a] - last[b] || (last[a] ? 0 : compare(keys[a], keys[b]) * (down ? -1 : 1)) || a - b)
      .map((at) => rows[at]);
  }

  const measured = new ResizeObserver((entries) => {
    for (const { target: box } of entries) box.classList.toggle("more", box.scrollWidth > box.clientWidth + 1);
  });
  for (const table of document.querySelectorAll(".scroll table")) {
    const box = table.parentElement;
    measured.observe(box);
    const body = table.tBodies[0];
    const rows = Array.from(body.rows);
    if (rows.length > (box.matches(".told") ? 8 : 6) && box.matches(".rows")) {
      const all = document.createElement("button");
      all.type = "button";
      all.className = "all";
      all.textContent = `Show all ${rows.length} rows`;
      all.addEventListener("click", () => {
        box.classList.remove("cut");
        all.remove();
        box.focus({ preventScroll: true });
      });
      box.classList.add("cut");
      box.append(all);
    }
    if (rows.length < 3) continue;
    const heads = Array.from(table.tHead.rows[0].cells);
    heads.forEach((head, place) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.append(button);
      button.addEventListener("click", () => {
        const now = { ascending: "descending", descending: "" }[head.getAttribute("aria-sort")] ?? "ascending";
        for (const other of heads) other.removeAttribute("aria-sort");
        if (now) head.setAttribute("aria-sort", now);
        body.append(...(now ? sorted(rows, place, now === "descending") : rows));
      });
    });
  }
})();
