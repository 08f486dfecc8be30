// Plots and zoom of the time line, and tables that sort. One stretch of time, `view`, is shown by all: the plots, and the
// rows, whose view box it is. Looked at closely, rows of the time line give way to milliseconds where these were kept.
// Everything that a mouse does here, a button or a slider does too.
"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const root = document.documentElement;
  root.classList.remove("no-script");
  const byId = (id) => document.getElementById(id);
  const LEFT = 64, RIGHT = 32; // as page.css has them for the rows
  const FLAGS = 20, APART = 18; // height of the row of numbers above a plot, and how far apart they stand
  const PAPER = 680; // CSS pixels that fit on A4 and Letter within 12 mm
  const DASHES = [[], [10, 4], [2, 3], [12, 3, 2, 3]];
  const least = Math.max(Math.min(data.duration / 10, 0.001), 1e-6);
  let view = [0, data.duration];
  let last = null; // the time that was read off last
  let picked = null; // by the slider, until the pointer moves

  const text = (s, digits) => {
    s = +s.toFixed(digits);
    if (s < 60) return s.toFixed(digits) + " s";
    const whole = Math.floor(s / 60), hours = Math.floor(whole / 60), rest = (s - whole * 60).toFixed(digits);
    const tail = rest.padStart(digits ? digits + 3 : 2, "0");
    return hours ? hours + ":" + String(whole % 60).padStart(2, "0") + ":" + tail : whole + ":" + tail;
  };
  const ofDay = (s) => data.clock === null ? "" : new Date((data.clock + s) * 1000).toISOString().slice(11, 19);
  const digits = () => Math.min(Math.max(Math.ceil(-Math.log10((view[1] - view[0]) / 100)), 0), 6);
  const number = (n) => (n >= 100 ? Math.round(n).toLocaleString("en").replaceAll(",", " ") : String(+n.toPrecision(3)));

  // Times at which a row begins, and what each line of a chart is from there to the next.
  const rows = data.rates[0].values.map((_, i) => i * data.width);
  const whole = { times: rows, rates: data.rates.map((s) => s.values), shares: data.shares.map((s) => s.values) };
  const CLOSE = 0.6, MS = 0.001, BIN = 0.1; // so many seconds are shown by the millisecond; those kept are in bins
  const near = data.close.length ? milliseconds() : whole;
  let set = whole;
  const senders = data.senders && {
    times: data.senders.series[0].values.map((_, i) => i * data.senders.width),
    senders: data.senders.series.map((s) => s.values),
  };
  const charts = [
    { id: "rates", series: data.rates, height: 230, unit: "", least: 1 },
    { id: "shares", series: data.shares, height: 160, unit: " %", least: 105 },
    ...(senders ? [{ id: "senders", series: data.senders.series, height: 190, unit: " Mb/s", least: 0.001, stacked: true }] : []),
  ].map((chart) => ({ ...chart, hidden: new Set() }));
  const setOf = (chart) => (chart.stacked ? senders : set);

  function milliseconds() {
    const times = [], from = []; // of each row: a row of the whole, or a bin and its millisecond
    let bin = 0;
    rows.forEach((start, row) => {
      const end = start + data.width - MS / 2;
      let at = start;
      for (; bin < data.close.length && data.close[bin].at < end; bin++) {
        const first = data.close[bin].at;
        if (first > at + MS / 2) { times.push(at); from.push([row]); }
        for (let ms = 0; ms < 100; ms++) { times.push(first + ms * MS); from.push([row, bin, ms]); }
        at = first + BIN;
      }
      if (at < end) { times.push(at); from.push([row]); }
    });
    const line = (name, n, factor) => from.map(([row, bin, ms]) =>
      bin === undefined ? whole[name][n][row] : data.close[bin][name][n][ms] * factor);
    const lines = (name, factor) => whole[name].map((_, n) => line(name, n, factor));
    return { times, rates: lines("rates", 1 / MS), shares: lines("shares", data.percent) };
  }

  // A row holds from its start to the next: one point more ends the last. Stacked lines are drawn from the topmost on.
  function columns(chart) {
    const { times, [chart.id]: values } = setOf(chart);
    let drawn = values;
    if (chart.stacked) {
      const sum = times.map(() => 0);
      drawn = values.map((line, n) => line.map((value, i) => (sum[i] += chart.hidden.has(n) ? 0 : value))).reverse();
    }
    return [[...times, Math.max(data.duration, times.at(-1) + MS / 2)], ...drawn.map((line) => [...line, line.at(-1)])];
  }

  for (const chart of charts) {
    const legend = byId(chart.id + "-legend");
    chart.outputs = chart.series.map((series, i) => {
      const label = document.createElement("label");
      const box = Object.assign(document.createElement("input"), { type: "checkbox", checked: true });
      box.addEventListener("change", () => {
        chart.hidden[box.checked ? "delete" : "add"](i);
        if (chart.stacked) redraw(); else chart.plot.setSeries(i + 1, { show: box.checked });
      });
      const sample = document.createElementNS("http://www.w3.org/2000/svg", "svg");
      const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
      sample.setAttribute("aria-hidden", "true");
      line.setAttribute("d", "M0 5H32");
      line.setAttribute("class", "line" + colour(chart, i));
      if (!chart.stacked) line.setAttribute("stroke-dasharray", DASHES[i].join(" "));
      sample.append(line);
      const output = document.createElement("output");
      label.append(box, sample, series.label, output);
      legend.append(label);
      return output;
    });
  }
  function colour(chart, i) { return chart.stacked ? "s" + i : chart.id === "rates" ? i : 2 + i; }

  function draw() {
    const style = getComputedStyle(root), of = (name) => style.getPropertyValue(name).trim();
    const ink = of("--soft"), grid = { stroke: of("--line"), width: 1 };
    const log = byId("log").checked;
    for (const chart of charts) {
      const at = byId(chart.id);
      if (chart.plot) chart.plot.destroy();
      chart.plot = new uPlot({
        width: root.classList.contains("paper") ? PAPER : at.clientWidth,
        height: innerWidth < 600 ? 0.7 * chart.height : chart.height,
        padding: [FLAGS, RIGHT, 0, 0],
        legend: { show: false },
        cursor: { sync: { key: "time" }, y: false, points: { show: false }, drag: { x: true, y: false, setScale: false } },
        scales: {
          x: { time: false, range: () => view },
          y: {
            ...(log && !chart.stacked ? { distr: 4, asinh: chart.id === "rates" ? 1 : 0.1 } : {}),
            range: (u, low, high) => [0, Math.max(high * 1.05, chart.least)],
          },
        },
        axes: [
          { stroke: ink, grid, ticks: grid, size: 30, values: (u, ticks) => ticks.map((t) => text(t, digits())), space: 90 },
          { stroke: ink, grid, ticks: grid, size: LEFT, values: (u, ticks) => ticks.map((t) => (t === null ? "" : number(t))) },
        ],
        series: [{}, ...(chart.stacked ? chart.series.map((series, i) => ({
          label: series.label, stroke: of("--ground"), width: 1, fill: of("--c" + colour(chart, i)), points: { show: false },
          paths: uPlot.paths.stepped({ align: 1 }),
        })).reverse() : chart.series.map((series, i) => ({
          label: series.label, stroke: of("--c" + colour(chart, i)), width: 2, dash: DASHES[i], points: { show: false },
          show: !chart.hidden.has(i), paths: uPlot.paths.stepped({ align: 1 }),
        })))],
        hooks: {
          drawClear: [(u) => bands(u, of("--band"), of("--red"))],
          draw: [(u) => { flags(u, of("--ink"), of("--ground")); if (chart.id === "shares") full(u, of("--red")); }],
          setCursor: [(u) => point(chart, u)],
          setSelect: [(u) => {
            if (u.select.width > 3) show(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
            u.setSelect({ left: 0, top: 0, width: 0, height: 0 }, false);
          }],
        },
      }, columns(chart), at);
      chart.tip = Object.assign(document.createElement("div"), { className: "tip", hidden: true });
      chart.plot.over.append(chart.tip);
      chart.plot.over.addEventListener("pointermove", () => { picked = null; });
      chart.plot.over.addEventListener("dblclick", () => show(0, data.duration));
    }
  }

  // Behind the lines: the stretches of what has to be fixed. One that only holds more of the same is a dashed line.
  function bands(u, fill, edge) {
    const ctx = u.ctx, { left, top, width, height } = u.bbox, px = devicePixelRatio;
    ctx.save();
    ctx.beginPath();
    ctx.rect(left - px, top, width + 2 * px, height);
    ctx.clip();
    ctx.fillStyle = fill;
    ctx.strokeStyle = edge;
    for (const span of data.spans) {
      const from = u.valToPos(span.start, "x", true), to = u.valToPos(span.end, "x", true);
      if (!span.more) ctx.fillRect(from, top, Math.max(to - from, 2 * px), height);
      ctx.lineWidth = (span.more ? 10 : 1) * px;
      ctx.setLineDash(span.more ? [1.5 * px, 7 * px] : []);
      ctx.beginPath();
      if (span.more) { ctx.moveTo(from, top + px); ctx.lineTo(Math.max(to, from + 2 * px), top + px); }
      else for (const x of [from, to]) { ctx.moveTo(x, top); ctx.lineTo(x, top + height); }
      ctx.stroke();
    }
    ctx.restore();
  }

  // Above the plot: the number of each, wholly within the picture, and none over another.
  function flags(u, ink, ground) {
    const ctx = u.ctx, px = devicePixelRatio, half = 8 * px, taken = [];
    const { left, width } = u.bbox;
    ctx.save();
    ctx.font = "bold " + 12 * px + "px sans-serif";
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    for (const span of data.spans) {
      if (span.more || span.end < view[0] || span.start > view[1]) continue;
      const from = Math.max(u.valToPos(span.start, "x", true), left);
      if (taken.some((each) => each.number === span.number && Math.abs(each.x - from) < 3 * APART * px)) continue;
      let x = Math.min(Math.max(from, left + half), left + width - half);
      while (taken.some((each) => Math.abs(each.x - x) < APART * px)) x -= APART * px;
      if (x < left - 3 * half) continue;
      taken.push({ number: span.number, x });
      ctx.fillStyle = ink;
      ctx.beginPath();
      ctx.arc(x, half + px, half, 0, 7);
      ctx.fill();
      ctx.fillStyle = ground;
      ctx.fillText(span.number, x, half + 2 * px);
    }
    ctx.restore();
  }

  // Where the link is full.
  function full(u, colour) {
    const ctx = u.ctx, px = devicePixelRatio, { left, width } = u.bbox;
    ctx.save();
    ctx.strokeStyle = ctx.fillStyle = colour;
    ctx.font = 11 * px + "px sans-serif";
    ctx.textAlign = "left";
    ctx.textBaseline = "middle";
    for (const share of data.full) {
      const y = u.valToPos(share, "y", true);
      ctx.setLineDash(share < 100 ? [6 * px, 4 * px] : []);
      ctx.lineWidth = 1.5 * px;
      ctx.beginPath();
      ctx.moveTo(left, y);
      ctx.lineTo(left + width, y);
      ctx.stroke();
      ctx.fillText(share, left + width + 4 * px, y);
    }
    ctx.restore();
  }

  // The row that holds the place of the pointer, told beside it.
  function point(chart, u) {
    const tip = chart.tip;
    if (u.cursor.left === null || u.cursor.left < 0) { tip.hidden = true; return; }
    const time = picked ?? u.posToVal(u.cursor.left, "x");
    read(time);
    const { times } = setOf(chart);
    tip.textContent = [text(times[rowAt(times, time)], digits()), ...chart.series.map((each, n) => each.label + " " + chart.outputs[n].value)]
      .filter((_, n) => n === 0 || !chart.hidden.has(n - 1)).join("\n");
    tip.hidden = false;
    const over = u.over.clientWidth, wide = tip.offsetWidth;
    tip.style.left = (u.cursor.left + 12 + wide <= over ? u.cursor.left + 12 : Math.max(u.cursor.left - 12 - wide, 0)) + "px";
  }

  function rowAt(times, time) {
    let low = 0, high = times.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (times[middle] <= time + 1e-9) low = middle; else high = middle - 1;
    }
    return low;
  }

  function read(time) {
    last = time;
    const told = [];
    for (const chart of charts) {
      const { times, [chart.id]: values } = setOf(chart), i = rowAt(times, time);
      chart.series.forEach((series, n) => {
        chart.outputs[n].value = number(values[n][i]) + chart.unit;
        if (!chart.stacked) told.push(series.label + " " + chart.outputs[n].value);
      });
    }
    const i = rowAt(set.times, time);
    byId("at").value = i;
    byId("read").value = text(set.times[i], digits()) + ": " + told.join(", ") + (ofDay(time) && ". At " + ofDay(time));
    byId("at").setAttribute("aria-valuetext", byId("read").value);
  }

  function show(from, to) {
    const wide = Math.min(Math.max(to - from, least), data.duration);
    const start = Math.min(Math.max(from, 0), data.duration - wide);
    view = [start, start + wide];
    const fits = wide <= CLOSE ? near : whole;
    if (fits !== set) {
      set = fits;
      byId("at").max = set.times.length - 1;
      for (const chart of charts) if (!chart.stacked) chart.plot.setData(columns(chart), false);
      if (last !== null) read(last);
    }
    for (const chart of charts) chart.plot.setScale("x", { min: view[0], max: view[1] });
    for (const svg of document.querySelectorAll(".track > svg, td > svg")) svg.setAttribute("viewBox", start + " 0 " + wide + " 1");
    const ends = view.map((t) => text(t, digits()));
    if (byId("from")) [byId("from").textContent, byId("to").textContent] = ends;
    const kept = wide > CLOSE || data.close.some((bin) => bin.at < view[1] && bin.at + BIN > view[0]);
    byId("shown").textContent = "Shown: " + ends[0] + " to " + ends[1] + " of " + text(data.duration, digits())
      + (ofDay(0) && ", " + ofDay(view[0]) + " to " + ofDay(view[1])) + (kept ? "" : ". No milliseconds were kept here");
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
    picked = set.times[+byId("at").value];
    if (picked < view[0] || picked > view[1]) show(picked - wide() / 2, picked + wide() / 2);
    charts[0].plot.setCursor({ left: charts[0].plot.valToPos(picked, "x"), top: 0 });
    read(picked);
  });

  // Who to whom: a box that is pointed at, or reached by the keyboard, lights its lines and tells them in words.
  for (const box of document.querySelectorAll(".node")) {
    const picture = box.ownerSVGElement;
    const light = () => {
      for (const lit of picture.querySelectorAll(".on")) lit.classList.remove("on");
      picture.classList.add("lit");
      for (const line of picture.querySelectorAll("." + box.dataset.flows)) line.classList.add("on");
      box.classList.add("on");
      byId("told").textContent = box.getAttribute("aria-label");
    };
    for (const event of ["pointerenter", "focus", "click"]) box.addEventListener(event, light);
  }

  // Tables: a press on a head sorts by it, numbers from the largest; a second press turns it round.
  const order = new Intl.Collator("en", { numeric: true }).compare;
  const valued = (row, column) => {
    const said = row.cells[column].textContent.trim();
    const digits = /^-?[\d ]+(\.\d+)?( %| to |$)/.test(said) ? parseFloat(said.replaceAll(" ", "")) : said === "–" ? -Infinity : NaN;
    return [digits, said];
  };
  for (const table of document.querySelectorAll(".sorts")) {
    const heads = [...table.tHead.rows[0].cells], body = table.tBodies[0];
    heads.forEach((head, column) => head.firstElementChild.addEventListener("click", () => {
      const rows = [...body.rows].map((row) => [valued(row, column), row]);
      const numbers = rows.every(([[value]]) => !Number.isNaN(value));
      const up = head.ariaSort ? head.ariaSort === "descending" : !numbers;
      const compare = numbers ? ([[a]], [[b]]) => (a < b ? -1 : a > b ? 1 : 0) : ([[, a]], [[, b]]) => order(a, b);
      rows.sort((a, b) => (up ? compare(a, b) : compare(b, a)));
      for (const other of heads) other.removeAttribute("aria-sort");
      head.ariaSort = up ? "ascending" : "descending";
      body.append(...rows.map(([, row]) => row));
    }));
  }

  // On a phone the first look is at what to do.
  if (innerWidth < 600) for (const folds of document.querySelectorAll(".folds")) folds.open = false;

  const redraw = () => { draw(); show(...view); };
  redraw();
  let width = innerWidth;
  addEventListener("resize", () => { if (innerWidth !== width) { width = innerWidth; redraw(); } });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  addEventListener("beforeprint", () => {
    root.classList.add("paper");
    redraw();
  });
  addEventListener("afterprint", () => { root.classList.remove("paper"); redraw(); });
})();
