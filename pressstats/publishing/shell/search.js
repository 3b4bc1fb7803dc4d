// Finds figures, tables and columns of a publication by the words that stand in them; all of it lies in the page.
(() => {
  "use strict";
  const all = JSON.parse(document.getElementById("search-data").textContent);
  const search = document.querySelector("search");
  const told = search.querySelector("[role=status]");
  const list = search.querySelector("ol");
  const most = 20;

  function item([href, where, caption]) {
    const link = document.createElement("a");
    link.href = href;
    link.textContent = caption;
    const place = document.createElement("span");
    place.className = "detail";
    place.textContent = ` ${where}`;
    const row = document.createElement("li");
    row.append(link, place);
    return row;
  }

  search.querySelector("input").addEventListener("input", (event) => {
    const words = event.target.value.toLowerCase().split(/\s+/).filter(Boolean);
    const found = words.length ? all.filter((one) => words.every((word) => one[3].includes(word))) : [];
    told.textContent = words.length ? `${found.length} found${found.length > most ? `, the first ${most} shown` : ""}` : "";
    list.replaceChildren(...found.slice(0, most).map(item));
  });
  search.hidden = false;
})();
