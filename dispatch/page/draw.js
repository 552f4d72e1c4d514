"use strict";
// What the scripts of all pages draw with: figures as text, elements, the parts of a chart, and drawing anew.
const Drawing = (() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const NS = "http://www.w3.org/2000/svg";
  const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
  const FILLS = ["accent", "url(#p-diagonal)", "url(#p-dots)", "url(#p-lines)", "url(#p-cross)", "url(#p-back)", "dim"];
  const number = (value, places) => {
    const text = Math.abs(value).toFixed(places).replace(/\B(?=(\d{3})+(?!\d))/g, ",");
    return value < 0 && /[1-9]/.test(text) ? `-${text}` : text;
  };
  const make = (tag, attributes, ...children) => {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) element.setAttribute(name, value);
    element.append(...children);
    return element;
  };
  const shape = (tag, attributes, text) => {
    const element = document.createElementNS(NS, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  let printing = false;
  const widthOf = (box) => printing ? 680 : Math.max(box.clientWidth || 0, 280);
  const canvas = (id, height, label) => {
    const box = byId(id), width = widthOf(box);
    const svg = shape("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": label });
    box.replaceChildren(svg);
    return { box, svg, width, height, add: (tag, attributes, text) => {
      const element = shape(tag, attributes, text);
      svg.append(element);
      return element;
    } };
  };
  const filled = (fill) => fill.startsWith("url") ? { fill } : { class: fill };
  const area = (draw, x, y, width, height, fill) => {
    const part = draw.add("rect", { x, y, width: Math.max(width, 0), height: Math.max(height, 0), ...filled(fill) });
    part.classList.add("edge");
    return part;
  };
  const ticks = (low, high, count) => {
    const raw = (high - low) / count || 1, power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 2.5, 5, 10].map((each) => each * power).find((each) => each >= raw - 1e-12);
    const found = [];
    for (let at = Math.ceil(low / step - 1e-9); at * step <= high + 1e-9; at += 1) found.push(at * step);
    return { found, places: Math.max(0, Math.min(4, -Math.floor(Math.log10(step) + 1e-9) + (step / power === 2.5 ? 1 : 0))) };
  };
  const patterns = () => {
    const svg = shape("svg", { class: "hidden-defs", "aria-hidden": "true" });
    const lines = { diagonal: ["M0 8L8 0M-2 2L2 -2M6 10L10 6"], dots: null, lines: ["M0 2H8M0 6H8"],
      cross: ["M0 4H8M4 0V8"], back: ["M0 0L8 8M-2 6L2 10M6 -2L10 2"], dark: ["M0 0L8 8M-2 6L2 10M6 -2L10 2M0 8L8 0M-2 2L2 -2M6 10L10 6"] };
    for (const [name, paths] of Object.entries(lines)) {
      const pattern = shape("pattern", { id: `p-${name}`, width: 8, height: 8, patternUnits: "userSpaceOnUse" });
      pattern.append(shape("rect", { width: 8, height: 8, class: "paper" }));
      if (paths) pattern.append(shape("path", { d: paths[0], class: name === "back" ? "stroke-warm" : name === "dark" ? "stroke" : "stroke-accent" }));
      else pattern.append(shape("circle", { cx: 4, cy: 4, r: 2.4, class: "accent" }));
      svg.append(pattern);
    }
    document.body.append(svg);
  };
  const legend = (entries) => {
    const key = make("ul", { class: "key" });
    for (const [name, fill] of entries) {
      const swatch = shape("svg", { viewBox: "0 0 22 14", "aria-hidden": "true" });
      if (fill.startsWith("stroke")) {
        swatch.append(shape("line", { x1: 0, x2: 22, y1: 7, y2: 7, class: fill }));
      } else {
        const box = shape("rect", { x: 0.5, y: 0.5, width: 21, height: 13, ...filled(fill) });
        box.classList.add("edge");
        swatch.append(box);
      }
      key.append(make("li", {}, swatch, name));
    }
    return key;
  };
  // columns of stacked parts that stand on a line: { name, parts: [[value, fill]], text }
  const columns = (id, height, label, all, unit) => {
    const draw = canvas(id, height, label);
    const high = Math.max(...all.map((each) => each.parts.reduce((sum, [value]) => sum + value, 0)), 1e-9);
    const marks = ticks(0, high, 4);
    const left = 14 + 7 * Math.max(...marks.found.map((value) => number(value, marks.places).length), 2);
    const top = 34, bottom = height - 24, scale = (value) => bottom - value / high * (bottom - top);
    draw.add("text", { x: 0, y: 12, class: "strong" }, unit);
    for (const value of marks.found) {
      draw.add("line", { x1: left, x2: draw.width, y1: scale(value), y2: scale(value), class: "grid" });
      draw.add("text", { x: left - 4, y: scale(value) + 4, "text-anchor": "end" }, number(value, marks.places));
    }
    const step = (draw.width - left) / all.length, bar = Math.min(step * 0.78, 54);
    const longest = Math.max(...all.map((each) => each.name.length)), every = Math.ceil((longest * 7 + 6) / step);
    all.forEach(({ name, parts, text }, at) => {
      const x = left + step * at + (step - bar) / 2;
      let up = 0;
      for (const [value, fill] of parts) {
        if (value > 0) area(draw, x, scale(up + value), bar, scale(up) - scale(up + value), fill);
        up += value;
      }
      if (text && step >= text.length * 7 + 2) draw.add("text", { x: x + bar / 2, y: scale(up) - 5, "text-anchor": "middle" }, text);
      if (at % every === 0) draw.add("text", { x: x + bar / 2, y: height - 6, "text-anchor": "middle" }, name);
    });
    draw.add("line", { x1: left, x2: draw.width, y1: bottom, y2: bottom, class: "stroke" });
    return draw;
  };
  // charts are drawn for the width there is, and for paper with every table open
  const keepDrawn = (drawAll, openTables) => {
    document.querySelectorAll("form").forEach((form) => form.addEventListener("submit", (event) => event.preventDefault()));
    let width = document.documentElement.clientWidth;
    addEventListener("resize", () => {
      if (document.documentElement.clientWidth === width) return;
      width = document.documentElement.clientWidth;
      drawAll();
    });
    const opened = [];
    addEventListener("beforeprint", () => {
      printing = true;
      document.querySelectorAll("details:not([open])").forEach((each) => { each.open = true; opened.push(each); });
      openTables();
      drawAll();
    });
    addEventListener("afterprint", () => {
      printing = false;
      opened.splice(0).forEach((each) => { each.open = false; });
      drawAll();
    });
  };
  return { data, byId, number, make, shape, canvas, area, filled, ticks, patterns, legend, columns, keepDrawn, MONTHS, FILLS };
})();
