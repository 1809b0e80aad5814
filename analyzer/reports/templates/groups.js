"use strict";
{
  const tools = document.querySelector(".tools");
  const [find, verdict, order] = tools.querySelectorAll("input, select");
  const told = tools.querySelector("output");
  const table = document.querySelector(".groups");
  const groups = [...table.tBodies];
  const inOrder = table.createTBody();
  const rows = groups.flatMap((home) => [...home.rows].slice(1).map((row) => {
    const cells = [...row.cells].map((cell) => cell.textContent);
    return { home, row, cells, text: cells.join(" ").toLowerCase() };
  }));
  const { compare } = new Intl.Collator("en", { numeric: true });
  const key = (one) => order.value && one.cells[order.value].replace(/^-$/, "\uffff");

  const show = () => {
    const words = find.value.toLowerCase().split(" ");
    const fits = (one) => words.every((word) => one.text.includes(word))
      && (!verdict.value || one.cells[0] === verdict.value);
    const place = order.value;
    table.classList.toggle("in-order", Boolean(place));
    const sorted = [...rows];
    if (place) sorted.sort((one, other) => compare(key(one), key(other)));
    for (const one of sorted) {
      one.row.hidden = !fits(one);
      (place ? inOrder : one.home).append(one.row);
    }
    for (const home of groups) {
      home.hidden = Boolean(place) || [...home.rows].slice(1).every((row) => row.hidden);
    }
    told.value = `${rows.filter(fits).length} of ${rows.length} rows`;
  };

  tools.hidden = false;
  tools.addEventListener("input", show);
  show();
}
