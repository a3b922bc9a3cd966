"use strict";
// Fills the figures with the news. Everything drawn is bounded: rows come joined from the program, labels are as
// many as there is room for.

const Draw = (() => {
  const given = JSON.parse(document.getElementById("given").textContent);
  const REDRAW_MS = 500; // the trend is drawn at most so often; the spectrum with every frame
  const MOST_DOTS = 40; // markers per series, evenly spread; the line and its band hold every row
  const FAINT = 20; // times taller
  const ROOM_PX = 15; // between two upright labels
  const models = {};
  let look = given.light;
  let trend = null, axis = [], spectrum = null, features = [], due = null, top = 1, zoomed = { trend: false, spectrum: false };
  let marks = [], closer = 1; // by how much the spectrum is drawn taller, to see faint light

  async function begin() {
    for (const [name, item] of Object.entries(given.figures)) {
      await Bokeh.embed.embed_item(item, name);
      const doc = Bokeh.documents[Bokeh.documents.length - 1];
      const find = (kind) => (id) => {
        for (const model of doc._all_models.values()) if (model.type === kind && model.name === id) return model;
        return null;
      };
      models[name] = { doc, figure: doc.get_model_by_name(name), source: find("ColumnDataSource"), glyph: find("GlyphRenderer"),
        box: find("BoxAnnotation") };
      watch(name);
    }
  }

  function watch(name) { // a stretch chosen by hand stays until a double click or the reset tool
    const place = document.getElementById(name);
    const { figure } = models[name];
    if (matchMedia("(pointer: coarse)").matches) for (const tool of figure.toolbar.tools) tool.active = false; // a finger scrolls
    let mine = false;
    models[name].setting = (what) => { mine = true; try { what(); } finally { mine = false; } };
    for (const range of [figure.x_range, figure.y_range])
      range.change.connect(() => { if (!mine) zoomed[name] = true; });
    const all = () => setTimeout(() => { zoomed[name] = false; name === "trend" ? drawTrend() : drawSpectrum(); }, 0);
    place.addEventListener("dblclick", all);
    figure.reset.connect(all);
  }

  function set(source, data) { // what is empty and stays so costs nothing
    const rows = (columns) => { for (const name in columns) return columns[name].length; return 0; };
    if (rows(data) || rows(source.data)) source.data = data;
  }

  function setRange(name, x, y) {
    if (zoomed[name]) return;
    const { figure, setting } = models[name];
    setting(() => {
      figure.x_range.setv({ start: x[0], end: x[1], reset_start: x[0], reset_end: x[1] });
      figure.y_range.setv({ start: y[0], end: y[1], reset_start: y[0], reset_end: y[1] });
    });
  }

  // colours

  function paint(dark) {
    look = dark ? given.dark : given.light;
    for (const { figure } of Object.values(models)) {
      figure.setv({ background_fill_color: look.ground, border_fill_color: look.ground });
      for (const panel of [...figure.below, ...figure.left]) {
        panel.setv({ axis_label_text_color: look.ink, major_label_text_color: look.ink, axis_line_color: look.soft,
          major_tick_line_color: look.soft });
      }
      for (const grid of figure.center) if (grid.type === "Grid") grid.grid_line_color = look.rule;
    }
    const { glyph, box } = models.trend;
    look.series.forEach((colour, i) => {
      glyph(`band ${i}`).glyph.fill_color = colour;
      glyph(`line ${i}`).glyph.line_color = colour;
      glyph(`bars ${i}`).glyph.line_color = colour;
      glyph(`dots ${i}`).glyph.setv({ fill_color: colour, line_color: look.ground });
      glyph(`aside ${i}`).glyph.setv({ line_color: colour });
    });
    glyph("declared").glyph.line_color = look.good;
    glyph("event lines").glyph.line_color = look.soft;
    glyph("event words").glyph.text_color = look.soft;
    glyph("flashes").glyph.setv({ fill_color: look.warn, line_color: look.warn });
    box("endpoint").setv({ fill_color: look.good, hatch_color: look.good });
    const light = models.spectrum.glyph;
    light("counts").glyph.line_color = look.ink;
    light("fit").glyph.line_color = look.fit;
    light("poles").glyph.line_color = look.soft;
    light("labels").glyph.text_color = look.ink;
    return look;
  }

  // trends

  function takeTrend(news) {
    const same = trend && news.start > 0 && news.names.length === trend.names.length;
    if (same) {
      const join = (old, more) => { old.length = news.start; old.push(...more); return old; };
      news.time_s = join(trend.time_s, news.time_s);
      for (const name of news.names) {
        news.value[name] = join(trend.value[name], news.value[name]);
        news.half[name] = join(trend.half[name], news.half[name]);
      }
    }
    news.aside = news.aside || (trend && trend.aside) || {};
    trend = news;
    if (due === null) due = setTimeout(() => { due = null; drawTrend(); }, REDRAW_MS);
  }

  function takeMarks(remarks) {
    marks = remarks.filter((r) => r.kind !== "note" && r.time_s !== null);
    if (trend) drawTrend();
  }

  function unit(last) { return last > 10800 ? ["h", 3600] : last > 600 ? ["min", 60] : ["s", 1]; }

  function drawTrend() {
    const { figure, source, box } = models.trend;
    if (!trend) return;
    const t = trend.time_s, last = t.length ? t[t.length - 1] : 1;
    const [name, scale] = unit(last);
    const x = t.map((s) => s / scale);
    figure.below[0].axis_label = `Time (${name})`;
    const heights = [1];
    for (let i = 0; i < look.series.length; i++) drawSeries(i, trend.names[i], x, scale, heights);
    heights.sort((a, b) => a - b);
    top = 1.3 * Math.max(1, heights[Math.floor(0.99 * (heights.length - 1))]);
    const [low, high] = trend.interval_s || [null, null];
    let end = last;
    if (low !== null && low < 4 * last) end = Math.max(last, Math.min(high === null ? low : high, 1.5 * last));
    box("endpoint").setv({ visible: low !== null && low < 4 * last, left: (low || 0) / scale,
      right: (high === null ? 2 * end : high) / scale });
    const declared = trend.declared_at_s;
    set(source("declared"), { x: declared === null ? [] : [declared / scale] });
    const first = t.length ? Math.min(0, t[0]) : 0;
    setRange("trend", [first / scale, 1.01 * Math.max(end, 1) / scale], [-0.04 * top, top]);
    drawEvents(scale);
  }

  function drawSeries(i, name, x, scale, heights) {
    const { source } = models.trend;
    const none = { x: [], y: [], low: [], high: [] };
    if (name === undefined) {
      set(source(`band ${i}`), none); set(source(`dots ${i}`), none); set(source(`aside ${i}`), { x: [], y: [] });
      return;
    }
    const y = trend.value[name], half = trend.half[name];
    const low = y.map((v, k) => (v === null ? NaN : v - half[k])), high = y.map((v, k) => (v === null ? NaN : v + half[k]));
    const line = y.map((v) => (v === null ? NaN : v));
    for (const v of y) if (v !== null) heights.push(v);
    set(source(`band ${i}`), { x, y: line, low, high });
    const every = Math.max(1, Math.ceil(x.length / MOST_DOTS)), pick = (list) => list.filter((_, k) => k % every === (i % every));
    set(source(`dots ${i}`), { x: pick(x), y: pick(line), low: pick(low), high: pick(high) });
    const aside = trend.aside[name] || { time_s: [], value: [] };
    set(source(`aside ${i}`), { x: aside.time_s.map((s) => s / scale), y: aside.value });
  }

  function drawEvents(scale) {
    const { source } = models.trend;
    set(source("flashes"), { x: trend.flashes.map((s) => s / scale), y: trend.flashes.map(() => 0.965 * top) });
    const events = trend.regimes.map((r) => ({ time_s: r.time_s, text: r.why }))
      .concat(marks.map((m) => ({ time_s: m.time_s, text: `mark: ${m.kind}` })))
      .sort((a, b) => a.time_s - b.time_s);
    const { start, end } = models.trend.figure.x_range;
    const late = events.map((e) => e.time_s / scale > start + 0.75 * (end - start)); // its words would leave the figure
    set(source("events"), {
      x: events.map((e) => e.time_s / scale), text: events.map((e) => e.text),
      side: late.map((l) => (l ? "right" : "left")), dx: late.map((l) => (l ? -4 : 4)),
      y: events.map((_, k) => (0.93 - 0.065 * (k % 4)) * top),
    });
  }

  // spectrum

  function takeAxis(news) { axis = news.axis; models.spectrum.figure.below[0].axis_label =
    news.axis_kind === "pixel" ? "Pixel" : "Wavelength in air (nm)"; }

  function takeFeatures(news) { features = news.features; }

  function takeSpectrum(news) { spectrum = news; drawSpectrum(); }

  let tall = 0, labelled = { at: -REDRAW_MS, for: "" };
  function drawSpectrum() {
    if (!spectrum || spectrum.counts.length !== axis.length) return;
    const { source } = models.spectrum;
    const counts = spectrum.counts.map((v) => (v === null ? NaN : v));
    set(source("counts"), { x: axis, counts });
    const fitted = spectrum.fit.length === axis.length;
    set(source("fit"), fitted ? { x: axis, fit: spectrum.fit.map((v) => (v === null ? NaN : v)) } : { x: [], fit: [] });
    let most = 0, least = 0;
    for (const v of counts) { if (v > most) most = v; if (v < least) least = v; }
    if (most > tall || most < 0.7 * tall) tall = 1.08 * most; // so that the axis does not tremble
    const low = Math.max(least, -0.05 * tall);
    setRange("spectrum", [axis[0], axis[axis.length - 1]], [low / closer, (1.55 * tall) / closer]);
    const { start, end } = models.spectrum.figure.x_range; // labels move with what is seen, else now and then
    const view = [start, end, tall, closer, features.length, document.getElementById("spectrum").clientWidth].join();
    if (view === labelled.for && performance.now() - labelled.at < REDRAW_MS) return;
    labelled = { at: performance.now(), for: view };
    drawLabels(counts);
  }

  function drawLabels(counts) {
    const { figure, source } = models.spectrum;
    const from = figure.x_range.start, to = figure.x_range.end;
    const view = document.getElementById("spectrum").clientWidth - 90;
    const px = (nm) => ((nm - from) / (to - from)) * view;
    const chosen = [];
    for (const f of features) { // brightest first
      if (f.wavelength_nm < from || f.wavelength_nm > to) continue;
      const at = px(f.wavelength_nm);
      if (at < 8 || at > view - 4 || chosen.some((c) => Math.abs(c.at - at) < ROOM_PX)) continue;
      chosen.push({ ...f, at });
      if (chosen.length >= 24) break;
    }
    const columns = { x: [], y: [], foot: [], head: [], text: [], dx: [] };
    for (const c of chosen) {
      const middle = pixel(c.wavelength_nm), around = [Math.max(0, middle - 6), middle + 7];
      const near = [...counts.slice(...around), ...spectrum.fit.slice(...around)];
      const peak = Math.max(0, ...near.filter((v) => v !== null && !Number.isNaN(v)));
      const beyond = peak > (1.05 * tall) / closer; // the line leaves the figure: its label stands beside it
      const head = beyond ? (0.9 * tall) / closer : peak + (0.05 * tall) / closer;
      columns.dx.push(beyond ? 9 : 0);
      columns.x.push(c.wavelength_nm); columns.y.push(head + (0.012 * tall) / closer); columns.foot.push(Math.min(peak + (0.01 * tall) / closer, head));
      columns.head.push(head); columns.text.push(c.sure ? c.label : `${c.label} ?`);
    }
    set(source("labels"), columns);
  }

  function pixel(nm) { // the axis rises, but not evenly
    let low = 0, high = axis.length - 1;
    while (high - low > 1) { const middle = (low + high) >> 1; if (axis[middle] < nm) low = middle; else high = middle; }
    return high;
  }

  // a sample of a series for the table, as it is drawn
  function sample(i) {
    const shapes = { circle: '<circle cx="23" cy="8" r="5"/>', square: '<rect x="18" y="3" width="10" height="10"/>',
      triangle: '<path d="M23 2l6 11H17z"/>', diamond: '<path d="M23 1l5 7-5 7-5-7z"/>', inverted_triangle: '<path d="M23 14l6-11H17z"/>',
      plus: '<path d="M21 2h4v4h4v4h-4v4h-4v-4h-4V6h4z"/>' };
    const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    svg.setAttribute("viewBox", "0 0 46 16");
    svg.setAttribute("aria-hidden", "true");
    svg.innerHTML = `<path d="M0 8h46" stroke-width="2" stroke-dasharray="${given.dashes[i].join(" ")}"/>${shapes[given.markers[i]]}`;
    svg.style.fill = svg.style.stroke = look.series[i]; // all of it our own text: nothing from the run
    return svg;
  }

  return { begin, paint, takeTrend, takeMarks, takeAxis, takeFeatures, takeSpectrum, sample, seeFaint: (yes) => { closer = yes ? FAINT : 1; drawSpectrum(); }, redraw: () => { drawTrend(); drawSpectrum(); },
    build: given.build };
})();
