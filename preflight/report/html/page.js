// Plots and zoom of the time line. One stretch of time, `view`, is shown by all: the plots, and the rows, whose view box
// it is. Everything that a mouse does here, a button or a slider does too.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const root = document.documentElement;
  root.classList.remove("no-script");
  const byId = (id) => document.getElementById(id);
  const LEFT = 64, RIGHT = 32; // as page.css has them for the rows
  const PAPER = 660; // CSS pixels that fit on A4 and Letter within 14 mm
  const DASHES = [[], [10, 4], [2, 3], [12, 3, 2, 3]];
  const least = Math.max(Math.min(data.duration / 10, 0.001), 1e-6);
  let view = [0, data.duration];

  const text = (s, digits) => {
    s = +s.toFixed(digits);
    if (s < 60) return s.toFixed(digits) + " s";
    const whole = Math.floor(s / 60), hours = Math.floor(whole / 60), rest = (s - whole * 60).toFixed(digits);
    const tail = rest.padStart(digits ? digits + 3 : 2, "0");
    return hours ? hours + ":" + String(whole % 60).padStart(2, "0") + ":" + tail : whole + ":" + tail;
  };
  const digits = () => Math.min(Math.max(Math.ceil(-Math.log10((view[1] - view[0]) / 100)), 0), 6);
  const number = (n) => (n >= 100 ? Math.round(n).toLocaleString("en").replaceAll(",", " ") : String(+n.toPrecision(3)));

  // A row of a plot holds from its start to the next: one point more ends the last.
  const times = data.rates[0].values.map((_, i) => i * data.width);
  const columns = (series) => [[...times, data.duration], ...series.map((s) => [...s.values, s.values.at(-1)])];
  const charts = [
    { id: "rates", series: data.rates, height: 240, hidden: new Set() },
    { id: "shares", series: data.shares, height: 150, hidden: new Set() },
  ];

  for (const chart of charts) {
    const legend = byId(chart.id + "-legend");
    chart.outputs = chart.series.map((series, i) => {
      const label = document.createElement("label");
      const box = Object.assign(document.createElement("input"), { type: "checkbox", checked: true });
      box.addEventListener("change", () => {
        chart.hidden[box.checked ? "delete" : "add"](i);
        chart.plot.setSeries(i + 1, { show: box.checked });
      });
      const sample = document.createElementNS("http://www.w3.org/2000/svg", "svg");
      const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
      sample.setAttribute("aria-hidden", "true");
      line.setAttribute("d", "M0 5H32");
      line.setAttribute("class", "line" + colour(chart, i));
      line.setAttribute("stroke-dasharray", DASHES[i].join(" "));
      sample.append(line);
      const output = document.createElement("output");
      label.append(box, sample, series.label, output);
      legend.append(label);
      return output;
    });
  }
  function colour(chart, i) { return chart.id === "rates" ? i : 2 + i; }

  function draw() {
    const style = getComputedStyle(root), of = (name) => style.getPropertyValue(name).trim();
    const ink = of("--soft"), grid = { stroke: of("--line"), width: 1 };
    const log = byId("log").checked;
    for (const chart of charts) {
      const at = byId(chart.id);
      if (chart.plot) chart.plot.destroy();
      chart.plot = new uPlot({
        width: root.classList.contains("paper") ? PAPER : at.clientWidth,
        height: chart.height,
        padding: [8, RIGHT, 0, 0],
        legend: { show: false },
        cursor: { sync: { key: "time" }, y: false, drag: { x: true, y: false, setScale: false } },
        scales: {
          x: { time: false, range: () => view },
          y: log && chart.id === "rates"
            ? { distr: 4, asinh: 1, range: (u, low, high) => [0, Math.max(high, 1)] }
            : { range: (u, low, high) => [0, Math.max(high * 1.05, 0.001)] },
        },
        axes: [
          { stroke: ink, grid, ticks: grid, values: (u, ticks) => ticks.map((t) => text(t, digits())), space: 90 },
          { stroke: ink, grid, ticks: grid, size: LEFT, values: (u, ticks) => ticks.map((t) => (t === null ? "" : number(t))) },
        ],
        series: [{}, ...chart.series.map((series, i) => ({
          label: series.label, stroke: of("--c" + colour(chart, i)), width: 2, dash: DASHES[i], points: { show: false },
          show: !chart.hidden.has(i), paths: uPlot.paths.stepped({ align: 1 }),
        }))],
        hooks: {
          drawClear: [(u) => bands(u, of("--band"), of("--red"))],
          setCursor: [(u) => read(u.cursor.idx)],
          setSelect: [(u) => {
            if (u.select.width > 3) show(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
            u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          }],
        },
      }, columns(chart.series), at);
      chart.plot.over.addEventListener("dblclick", () => show(0, data.duration));
    }
  }

  // Behind the lines: the stretches of what has to be fixed, each with its number.
  function bands(u, fill, edge) {
    const ctx = u.ctx, { left, top, width, height } = u.bbox;
    ctx.save();
    ctx.beginPath();
    ctx.rect(left, top, width, height);
    ctx.clip();
    ctx.font = "bold " + 13 * devicePixelRatio + "px sans-serif";
    for (const span of data.spans) {
      const from = u.valToPos(span.start, "x", true), to = u.valToPos(span.end, "x", true);
      ctx.fillStyle = fill;
      ctx.fillRect(from, top, Math.max(to - from, 2 * devicePixelRatio), height);
      ctx.fillStyle = edge;
      ctx.fillText(span.number, Math.max(from, left) + 4 * devicePixelRatio, top + 14 * devicePixelRatio);
    }
    ctx.restore();
  }

  function read(index) {
    if (index === null || index === undefined) return;
    const i = Math.min(index, times.length - 1);
    const told = [];
    for (const chart of charts)
      chart.series.forEach((series, n) => {
        const value = number(series.values[i]) + (chart.id === "rates" ? "" : " %");
        chart.outputs[n].value = value;
        told.push(series.label + " " + value);
      });
    byId("at").value = i;
    byId("read").value = text(times[i], 1) + ": " + told.join(", ");
    byId("at").setAttribute("aria-valuetext", byId("read").value);
  }

  function show(from, to) {
    const wide = Math.min(Math.max(to - from, least), data.duration);
    const start = Math.min(Math.max(from, 0), data.duration - wide);
    view = [start, start + wide];
    for (const chart of charts) chart.plot.setScale("x", { min: view[0], max: view[1] });
    for (const svg of document.querySelectorAll(".row > svg")) svg.setAttribute("viewBox", start + " 0 " + wide + " 1");
    const ends = view.map((t) => text(t, digits()));
    if (byId("from")) [byId("from").textContent, byId("to").textContent] = ends;
    byId("shown").textContent = "Shown: " + ends[0] + " to " + ends[1] + " of " + text(data.duration, digits());
  }

  const wide = () => view[1] - view[0];
  const moves = {
    in: () => show(view[0] + wide() / 4, view[1] - wide() / 4),
    out: () => show(view[0] - wide() / 2, view[1] + wide() / 2),
    back: () => show(view[0] - wide() / 2, view[1] - wide() / 2),
    on: () => show(view[0] + wide() / 2, view[1] + wide() / 2),
    all: () => show(0, data.duration),
  };
  for (const button of document.querySelectorAll("[data-zoom]"))
    button.addEventListener("click", moves[button.dataset.zoom]);
  for (const button of document.querySelectorAll("[data-from]"))
    button.addEventListener("click", () => {
      const from = +button.dataset.from, to = +button.dataset.to, room = Math.max((to - from) / 5, 10 * least);
      show(from - room, to + room);
      byId("time").scrollIntoView();
      byId("time").focus({ preventScroll: true });
    });
  byId("time").tabIndex = -1;
  byId("log").addEventListener("change", draw);
  byId("at").addEventListener("input", () => {
    const i = +byId("at").value;
    if (times[i] < view[0] || times[i] > view[1]) show(times[i] - wide() / 2, times[i] + wide() / 2);
    for (const chart of charts) chart.plot.setCursor({ left: chart.plot.valToPos(times[i], "x"), top: 0 }, false);
    read(i);
  });

  const redraw = () => { draw(); show(...view); };
  redraw();
  let width = innerWidth;
  addEventListener("resize", () => { if (innerWidth !== width) { width = innerWidth; redraw(); } });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  addEventListener("beforeprint", () => {
    root.classList.add("paper");
    for (const details of document.querySelectorAll("details")) details.open = true;
    redraw();
  });
  addEventListener("afterprint", () => { root.classList.remove("paper"); redraw(); });
})();
