"use strict";
(function () {
  document.documentElement.dataset.drawn = "no";
  const EVALUATED = /^[=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20]/;
  const NUMBER = /^[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?$/;
  const DASHES = /^[-\u2010-\u2015\u2212]+$/;
  const SHOWN_ROWS = 200;
  const tip = document.createElement("div");
  tip.className = "tip";
  tip.hidden = true;
  document.body.append(tip);

  function rowsOf(columns) {
    const names = Object.keys(columns);
    const values = names.map((name) => {
      const column = columns[name];
      return Array.isArray(column) ? column : column.at.map((place) => (place < 0 ? null : column.words[place]));
    });
    const count = Math.max(0, ...values.map((column) => column.length));
    return Array.from({ length: count }, (_, row) =>
      Object.fromEntries(names.map((name, column) => [name, row < values[column].length ? values[column][row] : null])));
  }

  function csvOf(rows) {
    const names = Object.keys(rows[0] || {});
    const cell = (value) => {
      if (value === null || value === undefined) return "";
      let text = String(value);
      if (EVALUATED.test(text) && !NUMBER.test(text) && !DASHES.test(text)) text = "'" + text;
      return /[",\r\n]/.test(text) ? '"' + text.replaceAll('"', '""') + '"' : text;
    };
    return [names, ...rows.map((row) => names.map((name) => row[name]))]
      .map((line) => line.map(cell).join(",")).join("\r\n") + "\r\n";
  }

  function download(name, rows) {
    const link = document.createElement("a");
    const url = URL.createObjectURL(new Blob(["\ufeff" + csvOf(rows)], { type: "text/csv" }));
    link.href = url;
    link.download = name + ".csv";
    link.click();
    setTimeout(() => URL.revokeObjectURL(url), 1000);
  }

  function element(tag, text, parent) {
    const made = document.createElement(tag);
    if (text !== undefined) made.textContent = text;
    parent.append(made);
    return made;
  }

  function showRows(place, name, rows) {
    const columns = Object.keys(rows[0] || {});
    const frame = element("div", undefined, place);
    frame.className = "scroll";
    frame.tabIndex = 0;
    frame.setAttribute("role", "region");
    frame.setAttribute("aria-label", "Data: " + name.replaceAll("_", " "));
    const table = element("table", undefined, frame);
    const head = element("tr", undefined, element("thead", undefined, table));
    columns.forEach((column) => { element("th", column.replaceAll("_", " "), head).scope = "col"; });
    const body = element("tbody", undefined, table);
    rows.slice(0, SHOWN_ROWS).forEach((row) => {
      const line = element("tr", undefined, body);
      columns.forEach((column) => element("bdi", row[column] === null ? "—" : String(row[column]), element("td", undefined, line)));
    });
    if (rows.length > SHOWN_ROWS) element("p", "The first " + SHOWN_ROWS + " of " + rows.length + " rows; the file holds all.", place).className = "quiet";
  }

  function showTip(event, value) {
    if (value === null || value === undefined || value === "") { tip.hidden = true; return; }
    tip.replaceChildren();
    Object.entries(value).forEach(([name, text]) => {
      if (text === null || text === "" || text === "null" || text === "undefined") return;
      const line = element("div", undefined, tip);
      element("span", name.replaceAll("_", " "), line);
      element("bdi", String(text), line);
    });
    tip.hidden = false;
    const left = Math.min(event.pageX + 12, window.scrollX + document.documentElement.clientWidth - tip.offsetWidth - 8);
    tip.style.left = Math.max(window.scrollX + 4, left) + "px";
    tip.style.top = event.pageY + 14 + "px";
  }

  async function draw(figure) {
    const { spec, data } = JSON.parse(figure.querySelector("script").textContent);
    const place = figure.querySelector(".chart");
    spec.datasets = Object.fromEntries(Object.entries(data).map(([name, columns]) => [name, rowsOf(columns)]));
    spec.config.header.labelLimit = Math.max(200, place.clientWidth - 50);
    if (place.clientWidth < 480) spec.config.axisY = { labelLimit: 110 };
    const compiled = vegaLite.compile(spec).spec;
    const view = new vega.View(vega.parse(compiled, null, { ast: true }), {
      expr: expressionInterpreter,
      renderer: "svg",
      container: place,
      logLevel: vega.Error,
      loader: { load: () => Promise.reject(new Error("no request")), sanitize: () => Promise.reject(new Error("no link")) },
      tooltip: (_, event, __, value) => showTip(event, value),
    });
    const width = compiled.signals && compiled.signals.some((signal) => signal.name === "child_width") ? "child_width" : "width";
    const fit = async () => {
      await view.runAsync();
      place.querySelector("svg").setAttribute("aria-hidden", "true");  // the figure itself is named
      const room = Math.min(place.clientWidth, 736);
      const natural = Number(place.querySelector("svg").getAttribute("width"));
      if (Math.abs(natural - room) > 2 && room > 0) {
        await view.signal(width, Math.max(120, view.signal(width) + room - natural)).resize().runAsync();
      }
    };
    await fit();
    figure.view = view;  // for a page that gives it other data
    let before = place.clientWidth;
    window.addEventListener("resize", () => {
      if (Math.abs(place.clientWidth - before) > 24) { before = place.clientWidth; fit(); }
    });
    const details = figure.querySelector(".behind");
    details.addEventListener("toggle", () => {
      const inside = details.querySelector("div");
      if (!details.open || inside.childElementCount) return;
      Object.entries(spec.datasets).forEach(([name, rows]) => {
        const button = element("button", "Download " + name.replaceAll("_", " ") + " (CSV)", inside);
        button.type = "button";
        button.addEventListener("click", () => download(figure.id.replace("figure-", "") + "-" + name, rows));
        showRows(inside, name, rows);
      });
    });
  }

  async function drawAll() {
    for (const figure of document.querySelectorAll(".chart-figure")) {
      try {
        await draw(figure);
      } catch (error) {
        element("p", "This figure could not be drawn: " + error.message, figure.querySelector(".chart"));
        console.error(error);
      }
      await new Promise((next) => setTimeout(next));
    }
    document.documentElement.dataset.drawn = "yes";
  }

  drawAll();
})();
