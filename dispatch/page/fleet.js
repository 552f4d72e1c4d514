"use strict";
(() => {
  const { data, byId, number, canvas, area, ticks, patterns, legend, columns, keepDrawn, MONTHS, FILLS } = Drawing;
  const LINES = [["before", "Without the systems", "stroke dashed"], ["after", "As set", "stroke-accent"],
    ["staggered", "As set, starts by lot", "stroke-warm dotted"]];

  // ---- distributions -----------------------------------------------------------------------------------------
  const drawBars = (id, label, { edges, homes, names }) => columns(id, 230, `${label}; the table below has the figures`,
    homes.map((count, at) => ({ name: names[at], parts: [[count, edges[at] < 0 ? "url(#p-back)" : "accent"]], text: count ? number(count, 0) : "" })), "homes");

  const drawReserves = (id, { tens, winners }) => {
    const all = tens.map((name) => ({ name, parts: winners.map(({ reserves }, at) => [reserves[name] || 0, FILLS[at % FILLS.length]]) }));
    const draw = columns(id, 230, "Homes by the reserve they set, split by strategy; the table above has the figures", all, "homes");
    draw.box.append(legend(winners.map(({ strategy }, at) => [strategy, FILLS[at % FILLS.length]])));
  };

  // ---- the load ----------------------------------------------------------------------------------------------
  const drawDay = (id, group, month) => {
    const draw = canvas(id, 330, `The group's mean day in ${MONTHS[month]}; the tables below have the figures`);
    const series = LINES.map(([key]) => group.load[key][month]);
    const values = series.flat(), low = Math.min(0, ...values), high = Math.max(...values, low + 1e-9);
    const marks = ticks(low, high, 5);
    const left = 14 + 7 * Math.max(...marks.found.map((value) => number(value, marks.places).length), 2);
    const top = 30, bottom = 300, x = (hour) => left + hour / 24 * (draw.width - left - 8);
    const y = (value) => bottom - (value - low) / (high - low) * (bottom - top);
    draw.add("text", { x: 0, y: 12, class: "strong" }, group.unit);
    for (const value of marks.found) {
      draw.add("line", { x1: left, x2: x(24), y1: y(value), y2: y(value), class: "grid" });
      draw.add("text", { x: left - 4, y: y(value) + 4, "text-anchor": "end" }, number(value, marks.places));
    }
    for (let hour = 0; hour <= 24; hour += draw.width < 500 ? 4 : 2) draw.add("text", { x: x(hour), y: 318, "text-anchor": "middle" }, hour);
    draw.add("line", { x1: left, x2: x(24), y1: y(0), y2: y(0), class: "stroke" });
    series.forEach((each, at) => {
      const path = each.map((value, hour) => `${hour ? "L" : "M"}${x(hour).toFixed(1)} ${y(value).toFixed(1)}H${x(hour + 1).toFixed(1)}`).join("");
      draw.add("path", { d: path, class: LINES[at][2] });
    });
    const after = group.load.after[month], peak = after.indexOf(Math.max(...after));
    const right = peak > 18;
    draw.add("text", { x: right ? x(peak) - 4 : x(peak + 1) + 4, y: y(after[peak]) + 4, class: "strong", "text-anchor": right ? "end" : "start" },
      number(after[peak], group.places + 1));
    draw.box.append(legend(LINES.map(([, name, style]) => [name, style])));
  };
  const drawMonths = (id, group) => {
    const peaks = LINES.map(([key]) => group.load[key].map((day) => Math.max(...day)));
    const fills = ["panelfill", "accent", "url(#p-back)"];
    const draw = canvas(id, 240, "Highest hour of each month's mean day; the table below has the figures");
    const high = Math.max(...peaks.flat(), 1e-9), marks = ticks(0, high, 4);
    const left = 14 + 7 * Math.max(...marks.found.map((value) => number(value, marks.places).length), 2);
    const top = 30, bottom = 214, y = (value) => bottom - value / high * (bottom - top);
    draw.add("text", { x: 0, y: 12, class: "strong" }, group.unit);
    for (const value of marks.found) {
      draw.add("line", { x1: left, x2: draw.width, y1: y(value), y2: y(value), class: "grid" });
      draw.add("text", { x: left - 4, y: y(value) + 4, "text-anchor": "end" }, number(value, marks.places));
    }
    const step = (draw.width - left) / 12, bar = Math.min(step * 0.27, 22);
    MONTHS.forEach((name, month) => {
      const middle = left + step * (month + 0.5);
      peaks.forEach((each, at) => area(draw, middle + (at - 1.5) * bar, y(Math.max(each[month], 0)), bar, bottom - y(Math.max(each[month], 0)), fills[at]));
      draw.add("text", { x: middle, y: 232, "text-anchor": "middle" }, step < 26 ? name.slice(0, 1) : name);
    });
    draw.add("line", { x1: left, x2: draw.width, y1: bottom, y2: bottom, class: "stroke" });
    draw.box.append(legend(LINES.map(([, title], at) => [title, fills[at]])));
  };

  // ---- set going ---------------------------------------------------------------------------------------------
  const drawAll = () => data.groups.forEach((group, at) => {
    drawBars(`saving-${at}`, "Homes by what they save a year", group.saving);
    drawBars(`hours-${at}`, "Homes by their fewest hours of backup", group.hours);
    drawReserves(`reserves-${at}`, group);
    drawDay(`day-${at}`, group, Number(byId(`month-${at}`).value));
    drawMonths(`months-${at}`, group);
  });
  patterns();
  data.groups.forEach((group, at) => {
    byId(`month-${at}`).value = String(group.month);
    byId(`month-${at}`).addEventListener("change", (event) => drawDay(`day-${at}`, group, Number(event.target.value)));
  });
  drawAll();
  keepDrawn(drawAll, () => {});
})();
