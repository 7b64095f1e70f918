"use strict";
// Fills each figure's template with the figure's own data, and lets tables be sorted and filtered.
(() => {
  const rows = (columns) => {
    const names = Object.keys(columns);
    const length = names.length ? columns[names[0]].length : 0;
    return Array.from({ length }, (_, i) => Object.fromEntries(names.map((n) => [n, columns[n][i]])));
  };

  const draw = async (figure) => {
    const template = document.getElementById("template-" + figure.dataset.template);
    const plot = figure.querySelector(".plot");
    const tables = JSON.parse(figure.querySelector("script.data").textContent);
    const spec = JSON.parse(template.textContent);
    spec.datasets = Object.fromEntries(Object.entries(tables).map(([name, columns]) => [name, rows(columns)]));
    // A layer whose table is empty has no extent to scale by: it is left out.
    const filled = (layer) => !layer.data || (spec.datasets[layer.data.name] || []).length > 0;
    if (spec.layer) spec.layer = spec.layer.filter(filled);
    if (spec.layer && !spec.layer.length) {
      plot.textContent = "Nothing to draw.";
      return;
    }
    await window.vegaEmbed(plot, spec, { mode: "vega-lite", renderer: "svg", actions: false });
    figure.dataset.drawn = "yes";
  };

  const drawAll = async () => {
    for (const figure of document.querySelectorAll("figure[data-template]")) {
      try {
        await draw(figure);
      } catch (error) {
        console.error("chart not drawn", error);
        figure.querySelector(".plot").textContent = "This chart could not be drawn here.";
      }
    }
    document.documentElement.dataset.charts = "done";
  };

  const value = (row, column) => {
    const cell = row.cells[column];
    return cell.dataset.v === undefined ? cell.textContent.trim() : cell.dataset.v === "" ? -Infinity : +cell.dataset.v;
  };

  const sortBy = (table, column, header) => {
    const down = header.getAttribute("aria-sort") === "ascending";
    for (const other of table.tHead.rows[0].cells) other.removeAttribute("aria-sort");
    header.setAttribute("aria-sort", down ? "descending" : "ascending");
    const order = (a, b) => {
      const [x, y] = [value(a, column), value(b, column)];
      return typeof x === "number" ? x - y : x.localeCompare(y);
    };
    const body = table.tBodies[0];
    const sorted = Array.from(body.rows).sort((a, b) => (down ? order(b, a) : order(a, b)));
    body.append(...sorted);
  };

  const makeSortable = (table) => {
    Array.from(table.tHead.rows[0].cells).forEach((header, column) => {
      const button = document.createElement("button");
      button.type = "button";
      button.append(...header.childNodes);
      button.addEventListener("click", () => sortBy(table, column, header));
      header.append(button);
    });
    if (!table.dataset.filter) return;
    const label = document.createElement("label");
    const input = document.createElement("input");
    label.className = "filter";
    input.type = "search";
    label.append(table.dataset.filter + " ", input);
    input.addEventListener("input", () => {
      const wanted = input.value.trim().toLowerCase();
      for (const row of table.tBodies[0].rows) row.hidden = !row.textContent.toLowerCase().includes(wanted);
    });
    table.parentElement.before(label);
  };

  for (const table of document.querySelectorAll("table.sortable")) makeSortable(table);
  drawAll();
})();
