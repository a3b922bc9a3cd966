"use strict";
// Zooms the figures of the page. A figure is an <svg> with a JSON list of its panels beside it: what stands for data
// moves; lettering, marks and line widths keep their size; ticks and labels are placed anew for what is in view.
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const MOST = 400; // times
  const SCALES = {
    linear: () => [v => v, v => v],
    log: () => [v => Math.log10(v), v => 10 ** v],
    sqrt: () => [v => Math.sign(v) * Math.sqrt(Math.abs(v)), v => Math.sign(v) * v * v],
    asinh: width => [v => Math.asinh(v / width), v => Math.sinh(v) * width],
  };
  const between = (v, low, high) => Math.min(Math.max(v, low), high);
  const round = v => Math.round(v * 1000) / 1000;

  // One axis: places on the figure as drawn (home) and as shown, shown = factor * home + shift.
  class Axis {
    constructor(told, first, last) {
      [this.to, this.from] = (SCALES[told.scale] || SCALES.linear)(told.width);
      Object.assign(this, { told, first, last, factor: 1, shift: 0 });
      this.ends = told.limits.map(this.to);
    }
    get home() { return this.factor === 1; }
    shown(place) { return this.factor * place + this.shift; }
    place(value) {
      const part = (this.to(value) - this.ends[0]) / (this.ends[1] - this.ends[0]);
      return this.shown(this.first + part * (this.last - this.first));
    }
    value(shown) {
      const part = ((shown - this.shift) / this.factor - this.first) / (this.last - this.first);
      return this.from(this.ends[0] + part * (this.ends[1] - this.ends[0]));
    }
    set(factor, shift) {
      const low = Math.min(this.first, this.last), high = Math.max(this.first, this.last);
      this.factor = between(factor, 1, MOST);
      this.shift = this.factor === 1 ? 0 : between(shift, high * (1 - this.factor), low * (1 - this.factor));
    }
    zoom(at, by) {
      const factor = between(this.factor * by, 1, MOST);
      this.set(factor, at - ((at - this.shift) * factor) / this.factor);
    }
    move(by) { this.set(this.factor, this.shift + by); }
    ticks(count) {
      const [a, b] = [this.value(this.first), this.value(this.last)].sort((p, q) => p - q);
      const wide = a <= 0 || b / a > 3;
      if (this.told.scale === "linear" || !wide) return even(a, b, count);
      const found = new Set(a <= 0 && b >= 0 ? [0] : []);
      for (let k = 1; k < count + 2; k++) {
        const v = this.value(this.first + (k / (count + 1)) * (this.last - this.first));
        if (!v) continue;
        const power = 10 ** Math.floor(Math.log10(Math.abs(v)));
        const step = [1, 2, 3, 5, 10].reduce((p, q) => (Math.abs(q - Math.abs(v) / power) < Math.abs(p - Math.abs(v) / power) ? q : p));
        found.add(Math.sign(v) * step * power);
      }
      return [...found].filter(v => v >= a && v <= b).sort((p, q) => p - q).map(v => [v, written(v)]);
    }
  }

  function even(a, b, count) {
    const raw = (b - a) / count, power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 2.5, 5, 10].find(s => s >= raw / power - 1e-9) * power;
    const decimals = Math.max(0, -Math.floor(Math.log10(step) + 1e-9) + (Math.abs(step / power - 2.5) < 1e-9 ? 1 : 0));
    const found = [];
    for (let n = Math.ceil(a / step - 1e-9); n * step <= b + 1e-9 * step; n++) found.push([n * step, written(n * step, decimals)]);
    return found;
  }

  function written(v, decimals) {
    const text = decimals === undefined ? String(Number(v.toPrecision(10))) : v.toFixed(decimals);
    const [whole, part] = text.replace("-", "−").split(".");
    return whole.replace(/(\d)(?=(\d{3})+$)/g, "$1\u2009") + (part ? "." + part : "");
  }

  // What of a figure moves: numbers of paths, places of marks, lettering.
  function parts(told) {
    return told.map(([id, x, y, left, top]) => {
      const group = document.getElementById(id);
      if (!group) return null;
      const part = { group, x, y, left, top, paths: [], marks: [] };
      if (left !== undefined) return part;
      for (const path of group.querySelectorAll("path[d]")) {
        if (path.closest("defs")) continue;
        const tokens = path.getAttribute("d").split(/(-?\d+(?:\.\d+)?(?:e-?\d+)?)/);
        part.paths.push({ path, tokens, numbers: Float64Array.from(tokens.filter((_, i) => i % 2), Number) });
      }
      for (const mark of group.querySelectorAll("use")) part.marks.push({ mark, x: +mark.getAttribute("x"), y: +mark.getAttribute("y") });
      return part;
    }).filter(Boolean);
  }

  function movePart(part, x, y, box) {
    const kx = part.x ? x.factor : 1, sx = part.x ? x.shift : 0, ky = part.y ? y.factor : 1, sy = part.y ? y.shift : 0;
    if (part.left !== undefined) {
      const left = kx * part.left + sx, top = ky * part.top + sy;
      part.group.setAttribute("transform", `translate(${round(left - part.left)} ${round(top - part.top)})`);
      part.group.style.display = outside(left, top, part, box) ? "none" : "";
    }
    for (const { path, tokens, numbers } of part.paths) {
      const out = tokens.slice();
      for (let i = 0; i < numbers.length; i++) out[2 * i + 1] = round(i % 2 ? ky * numbers[i] + sy : kx * numbers[i] + sx);
      path.setAttribute("d", out.join(""));
    }
    for (const { mark, x: left, y: top } of part.marks) {
      const a = kx * left + sx, b = ky * top + sy;
      mark.setAttribute("x", round(a));
      mark.setAttribute("y", round(b));
      mark.style.display = outside(a, b, part, box) ? "none" : "";
    }
  }
  const outside = (x, y, part, [x0, x1, y0, y1]) => (part.x && (x < x0 - 1 || x > x1 + 1)) || (part.y && (y < y0 - 1 || y > y1 + 1));

  // Ticks in the look of those that were drawn.
  function drawTicks(panel, axis, upright) {
    const group = document.getElementById(axis.told.axis);
    if (!group || !axis.told.moves) return;
    group.querySelectorAll(":scope > .again").forEach(one => one.remove());
    const drawn = [...group.children].filter(one => /tick_\d+$/.test(one.id));
    drawn.forEach(one => (one.style.display = axis.home ? "" : "none"));
    if (axis.home || !drawn.length) return;
    const model = drawn.find(one => one.querySelector("text")) || drawn[0];
    const [mark, text, grid] = [model.querySelector("use"), model.querySelector("text"), model.querySelector("path[clip-path]")];
    const [x0, x1, y0, y1] = panel.box, key = upright ? "y" : "x";
    const size = upright ? y1 - y0 : x1 - x0;
    for (const [value, label] of axis.ticks(Math.max(3, Math.round(size / (upright ? 50 : 95))))) {
      const at = axis.place(value), tick = document.createElementNS(SVG, "g");
      if (at < Math.min(axis.first, axis.last) - 0.5 || at > Math.max(axis.first, axis.last) + 0.5) continue;
      tick.setAttribute("class", "again");
      if (grid && axis.told.grid) {
        const line = grid.cloneNode();
        line.setAttribute("d", upright ? `M ${x0} ${at} ${x1} ${at}` : `M ${at} ${y0} ${at} ${y1}`);
        tick.append(line);
      }
      if (mark) { const one = mark.cloneNode(); one.setAttribute(key, at); tick.append(one); }
      if (text && axis.told.labels) {
        const one = text.cloneNode();
        one.setAttribute(key, upright && mark ? at + (+text.getAttribute("y") - +mark.getAttribute("y")) : at);
        one.textContent = label;
        tick.append(one);
      }
      group.prepend(tick);
    }
  }

  // Labels of features: rows such that no label touches another and no pole crosses a label; the important first.
  function drawFlags(panel, svg) {
    const { flags } = panel.told;
    if (!flags.length) return;
    if (!panel.layer) {
      panel.drawn = [...svg.querySelectorAll("[id*='flag_'],[id*='flagpole_']")];
      const heights = flags.filter(f => f.shown).map(f => +document.getElementById(f.id).querySelector("text").getAttribute("y"));
      panel.lowest = Math.max(...heights);
      panel.layer = document.createElementNS(SVG, "g");
      svg.append(panel.layer);
    }
    const home = panel.x.home && panel.y.home;
    panel.drawn.forEach(one => (one.style.display = home ? "" : "none"));
    panel.layer.replaceChildren();
    if (home) return;
    const [x0, x1, y0] = panel.box, step = 1.35 * flags[0].size, end = svg.viewBox.baseVal.width;
    const rows = Math.max(1, Math.floor((panel.lowest - y0 - 0.2 * step) / step) + 1);
    let chosen = [];
    for (const flag of flags) {
      const x = panel.x.shown(flag.x);
      if (x < x0 || x > x1) continue;
      const text = lettering(flag, panel.layer);
      const one = { flag, x, text, right: x + 3 + text.getComputedTextLength() };
      const trial = [...chosen, one].sort((p, q) => q.x - p.x);
      if (one.right < end && stack(trial) < rows) chosen = trial;
      else text.remove();
    }
    stack(chosen);
    const used = Math.max(0, ...chosen.map(one => one.row));
    for (const one of chosen) {
      const top = y0 + (used - one.row) * step, foot = between(panel.y.shown(one.flag.y) - 4, top + step, panel.box[3]);
      one.text.setAttribute("x", one.x + 2.5);
      one.text.setAttribute("y", top + 0.75 * step);
      const pole = document.createElementNS(SVG, "path");
      pole.setAttribute("d", `M ${one.x} ${top + 0.1 * step} ${one.x} ${foot}`);
      pole.setAttribute("class", one.flag.sure ? "pole" : "pole unsure");
      panel.layer.append(pole);
    }
  }

  function stack(flags) { // ordered from right to left
    let most = -1;
    flags.forEach((one, i) => {
      one.row = 1 + Math.max(-1, ...flags.slice(0, i).filter(o => o.x <= one.right + 4).map(o => o.row));
      most = Math.max(most, one.row);
    });
    return most;
  }

  function lettering(flag, layer) {
    const text = document.createElementNS(SVG, "text");
    text.textContent = flag.text;
    text.setAttribute("class", flag.sure ? "flag" : "flag unsure");
    text.style.fontSize = flag.size + "px";
    layer.append(text);
    return text;
  }

  function start(figure) {
    const svg = figure.querySelector("svg"), frame = figure.querySelector(".frame"), told = figure.querySelector("output");
    const axes = {};
    const panels = JSON.parse(figure.querySelector("script").textContent).panels.map(one => {
      const [x0, x1, y0, y1] = one.box;
      axes[one.group] ||= new Axis(one.x, x0, x1);
      return { told: one, box: one.box, x: axes[one.group], own: new Axis(one.x, x0, x1), y: new Axis(one.y, y1, y0) };
    });
    if (!panels.length) return;
    figure.querySelector(".tools").hidden = false;
    let active = panels[0], pending = false, drag = null;
    const load = panel => (panel.parts ||= parts(panel.told.parts));

    function draw() {
      pending = false;
      for (const panel of panels) {
        if (!panel.touched && panel.x.home && panel.y.home) continue;
        panel.touched = true;
        load(panel).forEach(part => movePart(part, panel.x, panel.y, panel.box));
        Object.assign(panel.own, { factor: panel.x.factor, shift: panel.x.shift });
        drawTicks(panel, panel.own, false);
        drawTicks(panel, panel.y, true);
        drawFlags(panel, svg);
      }
    }
    const again = () => { if (!pending) { pending = true; requestAnimationFrame(draw); } };
    const label = panel => (panels.find(p => p.x === panel.x && p.told.x.label) || panel).told.x.label;
    const digits = (axis, at) => { const near = Math.abs(axis.value(at + 0.5) - axis.value(at - 0.5)); return Math.max(0, -Math.floor(Math.log10(near || 1))); };
    const read = (axis, at) => written(axis.value(at), digits(axis, at));
    function say() {
      const { x } = active;
      told.textContent = x.home ? "" : `In view: ${read(x, x.first)} to ${read(x, x.last)} · ${label(active)}`;
    }
    const middle = axis => (axis.first + axis.last) / 2;
    function fit() {
      const y1 = active.box[3], tops = { all: y1, view: y1 };
      for (const part of load(active).filter(p => p.x && p.y && p.left === undefined)) {
        const see = (x, y) => {
          const shown = active.x.shown(x);
          tops.all = Math.min(tops.all, Math.max(y, active.box[2]));
          if (shown >= active.box[0] && shown <= active.box[1]) tops.view = Math.min(tops.view, Math.max(y, active.box[2]));
        };
        for (const { numbers } of part.paths) for (let i = 0; i < numbers.length; i += 2) see(numbers[i], numbers[i + 1]);
        for (const mark of part.marks) see(mark.x, mark.y);
      }
      const factor = (y1 - tops.all) / Math.max(y1 - tops.view, 1);
      active.y.set(factor, y1 * (1 - factor));
    }
    const deeds = {
      in: () => active.x.zoom(middle(active.x), 1.5), out: () => active.x.zoom(middle(active.x), 1 / 1.5),
      left: () => active.x.move(0.2 * (active.x.last - active.x.first)), right: () => active.x.move(-0.2 * (active.x.last - active.x.first)),
      taller: () => active.told.y.moves && active.y.zoom(active.box[3], 1.4), lower: () => active.y.zoom(active.box[3], 1 / 1.4),
      fit: () => active.told.y.moves && fit(), whole: () => panels.forEach(p => { p.x.set(1, 0); p.y.set(1, 0); }),
    };
    const act = name => { deeds[name](); say(); again(); };
    const keys = { "+": "in", "=": "in", "-": "out", ArrowLeft: "left", ArrowRight: "right", ArrowUp: "taller", ArrowDown: "lower",
      f: "fit", 0: "whole", Home: "whole", Escape: "whole" };
    figure.querySelectorAll("button").forEach(one => one.addEventListener("click", () => act(one.value)));
    frame.addEventListener("keydown", event => {
      if (!keys[event.key] || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      act(keys[event.key]);
    });
    const spot = event => new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
    const under = p => panels.find(({ box: [x0, x1, y0, y1] }) => p.x >= x0 && p.x <= x1 && p.y >= y0 && p.y <= y1);
    svg.addEventListener("wheel", event => {
      const at = spot(event), panel = under(at);
      if (!panel || !(frame === document.activeElement || event.ctrlKey)) return; // else the page scrolls
      event.preventDefault();
      active = panel;
      const by = Math.exp(-0.0016 * event.deltaY * (event.deltaMode ? 20 : 1));
      if (event.shiftKey && panel.told.y.moves) panel.y.zoom(at.y, by);
      else panel.x.zoom(at.x, by);
      say();
      again();
    }, { passive: false });
    svg.addEventListener("pointerdown", event => {
      const at = spot(event), panel = under(at);
      if (event.pointerType === "touch" || event.button || !panel) return;
      active = panel;
      drag = { from: at, last: at, move: event.shiftKey, stretch: document.createElementNS(SVG, "path") };
      drag.stretch.setAttribute("class", "stretch");
      svg.append(drag.stretch);
      svg.setPointerCapture(event.pointerId);
    });
    svg.addEventListener("pointermove", event => {
      const at = spot(event), panel = under(at);
      if (drag && drag.move) {
        active.x.move(at.x - drag.last.x);
        active.y.move(at.y - drag.last.y);
        again();
      } else if (drag) {
        const [x0, x1, y0, y1] = active.box, x = between(at.x, x0, x1);
        drag.stretch.setAttribute("d", `M ${drag.from.x} ${y0} ${x} ${y0} ${x} ${y1} ${drag.from.x} ${y1} z`);
      } else if (panel) {
        told.textContent = `${label(panel)}: ${read(panel.x, at.x)}` + (panel.told.y.moves ? `; ${panel.told.y.label}: ${read(panel.y, at.y)}` : "");
      }
      if (drag) drag.last = at;
    });
    svg.addEventListener("pointerup", () => {
      if (!drag) return;
      const [low, high] = [drag.from.x, between(drag.last.x, active.box[0], active.box[1])].sort((p, q) => p - q);
      if (!drag.move && high - low > 4) {
        const { x } = active, by = (x.last - x.first) / (high - low);
        x.set(x.factor * by, x.first + by * (x.shift - low));
      }
      drag.stretch.remove();
      drag = null;
      say();
      again();
    });
    svg.addEventListener("dblclick", () => act("whole"));
  }
  document.querySelectorAll("figure.zooms").forEach(start);
  let opened = []; // what is folded away is printed in full
  addEventListener("beforeprint", () => {
    opened = [...document.querySelectorAll("details:not([open]):not(.how)")];
    opened.forEach(one => (one.open = true));
  });
  addEventListener("afterprint", () => opened.forEach(one => (one.open = false)));
})();
