"use strict";
(() => {
  const { data, byId, number, make, canvas, area, filled, ticks, patterns, legend, keepDrawn, MONTHS, FILLS } = Drawing;
  const WEEKDAYS = ["Sun", "Mon", "Tue", "Wed", "Thu", "Fri", "Sat"];

  // ---- words -------------------------------------------------------------------------------------------------
  const kwh = (wh) => number(wh / 1000, 2);
  // rounded down, so that no figure promises more than there is
  const hoursText = (hundredths) => hundredths >= data.outage.horizon * 100
    ? `${data.outage.horizon}+` : (Math.floor(hundredths / 10) / 10).toFixed(1);
  const dateText = (iso) => {
    const [year, month, day] = iso.split("-").map(Number);
    return `${WEEKDAYS[new Date(Date.UTC(year, month - 1, day)).getUTCDay()]} ${day} ${MONTHS[month - 1]} ${year}`;
  };
  const labelsOf = (calendar, iso) => calendar.odd[iso] || calendar.usual;
  const dayAt = (calendar, slot) => {
    let low = 0, high = calendar.days.length - 1;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (calendar.days[middle][1] <= slot) low = middle; else high = middle - 1;
    }
    return low;
  };
  const unfold = (labels) => labels.map((label, at) => labels.indexOf(label) < at ? `${label} (again)` : label);

  // ---- strategies --------------------------------------------------------------------------------------------
  const strategyBars = (id, label, bars) => {
    const rows = data.strategies, each = 24 + 24 * bars.length;
    const draw = canvas(id, rows.length * each + 4, label);
    const room = draw.width - 92;
    const top = Math.max(...rows.flatMap((row) => bars.map((bar) => Math.abs(row[bar.value]))), 1e-9);
    rows.forEach((row, at) => {
      const y = at * each;
      draw.add("text", { x: 0, y: y + 16, class: row.set ? "strong" : "" }, row.set ? `${row.name} (set)` : row.name);
      bars.forEach((bar, line) => {
        const length = Math.abs(row[bar.value]) / top * room, loses = row[bar.value] < 0;
        area(draw, 0.5, y + 22 + line * 24, Math.max(length, 1), 18, loses ? "url(#p-back)" : bar.fill);
        draw.add("text", { x: length + 6, y: y + 36 + line * 24, class: row.set ? "strong" : "" },
          loses ? `LOSES ${row[bar.text].replace("-", "")}` : `${row[bar.text]}${bar.unit}`);
      });
    });
  };
  const drawStrategies = () => {
    strategyBars("chart-saving", "What each strategy saves; the table below has the figures",
      [{ value: "saving", text: "saving_text", fill: "accent", unit: "" }]);
    strategyBars("chart-hours", "Hours of critical load of each strategy; the table below has the figures", [
      { value: "least", text: "least_text", fill: "accent", unit: " h" },
      { value: "evening", text: "evening_text", fill: "url(#p-diagonal)", unit: " h" },
    ]);
  };

  // ---- months ------------------------------------------------------------------------------------------------
  const drawMonths = () => {
    const { names, rows } = data.months;
    const draw = canvas("chart-months", 280, "Savings by month, split by price; the table below has the figures");
    const ends = rows.map(([, parts]) => [
      parts.filter((part) => part > 0).reduce((a, b) => a + b, 0),
      parts.filter((part) => part < 0).reduce((a, b) => a + b, 0)]);
    const high = Math.max(...ends.map((end) => end[0]), 1e-9), low = Math.min(...ends.map((end) => end[1]), 0);
    const left = 42, top = 22, bottom = 252, scale = (value) => bottom - (value - low) / (high - low) * (bottom - top);
    const marks = ticks(low, high, 4);
    for (const value of marks.found) {
      draw.add("line", { x1: left, x2: draw.width, y1: scale(value), y2: scale(value), class: "grid" });
      draw.add("text", { x: left - 4, y: scale(value) + 4, "text-anchor": "end" }, number(value, marks.places));
    }
    const step = (draw.width - left) / rows.length, bar = Math.min(step * 0.72, 54);
    const every = Math.ceil(34 / step), last = rows.length > 1 ? 1 : 0;
    rows.forEach(([label, parts, total, text], at) => {
      const x = left + step * at + (step - bar) / 2;
      let up = 0, down = 0;
      parts.forEach((part, which) => {
        const from = part > 0 ? up : down, to = from + part;
        if (part > 0) up = to; else down = to;
        const y = Math.min(scale(from), scale(to));
        if (Math.abs(part) > 0) area(draw, x, y, bar, Math.abs(scale(from) - scale(to)), fillOf(names, which));
      });
      draw.add("text", { x: x + bar / 2, y: scale(up) - 5, "text-anchor": "middle", class: "strong" },
        step < 44 ? number(total, 0) : text);
      if (step >= 26 ? true : at % every === 0) {
        draw.add("text", { x: x + bar / 2, y: 270, "text-anchor": "middle" }, last ? label.split(" ")[0] : label);
      }
    });
    draw.add("line", { x1: left, x2: draw.width, y1: scale(0), y2: scale(0), class: "stroke" });
    draw.box.append(legend(names.map((name, at) => [name, fillOf(names, at)])));
  };
  const fillOf = (names, at) => names[at] === "wear of the battery" ? "panelfill" : FILLS[at % FILLS.length];

  // ---- what safety costs -------------------------------------------------------------------------------------
  let level = Math.max(data.levels.findIndex((row) => row.set), 0);
  const drawSafety = () => {
    const rows = data.levels;
    const draw = canvas("chart-safety", 300, "Bill and wear against the fewest hours; the table below has the figures and picks a setting");
    const money = rows.flatMap((row) => row.bound === null ? [row.cost] : [row.cost, row.bound]);
    const spread = Math.max(...money) - Math.min(...money) || 1;
    const low = Math.min(...money) - spread * 0.06, high = Math.max(...money) + spread * 0.06;
    const far = Math.max(...rows.map((row) => row.least), 0.1) * 1.04;
    const left = 58, top = 10, bottom = 262, right = draw.width - 12;
    const x = (hours) => left + hours / far * (right - left), y = (cost) => bottom - (cost - low) / (high - low) * (bottom - top);
    const across = ticks(0, far, draw.width < 500 ? 5 : 9), along = ticks(low, high, 5);
    for (const value of along.found) {
      draw.add("line", { x1: left, x2: right, y1: y(value), y2: y(value), class: "grid" });
      draw.add("text", { x: left - 5, y: y(value) + 4, "text-anchor": "end" }, number(value, along.places));
    }
    for (const value of across.found) draw.add("text", { x: x(value), y: 280, "text-anchor": "middle" }, number(value, across.places));
    draw.add("text", { x: right, y: 297, "text-anchor": "end" }, "fewest hours of critical load");
    const line = (key) => rows.filter((row) => row[key] !== null)
      .map((row, at) => `${at ? "L" : "M"}${x(row.least).toFixed(1)} ${y(row[key]).toFixed(1)}`).join("");
    draw.add("path", { d: line("cost"), class: "stroke-accent" });
    if (rows.some((row) => row.bound !== null)) draw.add("path", { d: line("bound"), class: "stroke dashed" });
    rows.forEach((row, at) => {
      const cx = x(row.least), cy = y(row.cost);
      if (row.set) area(draw, cx - 7, cy - 7, 14, 14, "warm");
      else draw.add("circle", { cx, cy, r: 5, class: "accent edge" });
      if (at === level) draw.add("circle", { cx, cy, r: 12, class: "stroke" });
      const hit = draw.add("circle", { cx, cy, r: 13, class: "hit", "data-level": at });
      hit.addEventListener("click", () => pickLevel(at));
    });
  };
  const fact = (list, name, value) => list.append(make("dt", {}, name), make("dd", {}, value));
  const pickLevel = (at) => {
    level = at;
    const row = data.levels[at], panel = byId("level"), facts = make("dl");
    fact(facts, "Bill", row.bill_text);
    fact(facts, "Wear", row.wear_text);
    fact(facts, "Bill + wear", `${data.currency} ${row.cost_text}`);
    fact(facts, "More than set now", `${data.currency} ${row.more_text}`);
    fact(facts, "Saves", row.saving_text);
    fact(facts, "Fewest hours", `${row.least_text} h`);
    fact(facts, "Usual hours", `${row.usual_text} h`);
    if (row.bound !== null) fact(facts, "Best plan (bound)", `${data.currency} ${row.bound_text}`);
    const cards = row.card.flatMap((plan) => {
      const body = make("tbody");
      for (const [entry, when, to] of plan.rows) {
        body.append(make("tr", {}, make("th", { scope: "row" }, entry), make("td", { class: "when" }, when), make("td", {}, to.replace(" %", "\u00a0%"))));
      }
      return [make("h4", {}, plan.title), make("table", {}, body)];
    });
    panel.replaceChildren(make("h3", {}, row.set ? `${row.setting} (set now)` : row.setting), facts, ...cards);
    document.querySelectorAll('input[name="level"]').forEach((radio, which) => {
      radio.checked = which === at;
      radio.closest("tr").classList.toggle("picked", which === at);
    });
    drawSafety();
  };

  // ---- a day -------------------------------------------------------------------------------------------------
  let day = 0;
  const dayRows = () => {
    const all = data.day, [iso, first] = all.days[day];
    const labels = labelsOf(all, iso);
    const each = (name) => all[name].slice(first, first + labels.length);
    return { iso, first, labels, clocks: unfold(labels), hours: all.summed ? 1 : all.dt_hours,
      before: first ? all.level[first - 1] : all.start, load: each("load"), sun: each("sun"), bought: each("bought"),
      sold: each("sold"), charged: each("charged"), given: each("given"), level: each("level"),
      reserve: each("reserve"), price: each("price"), band: each("band") };
  };
  const sum = (values) => values.reduce((a, b) => a + b, 0);
  const drawDay = () => {
    const rows = dayRows(), count = rows.labels.length;
    const draw = canvas("chart-day", 470, `${dateText(rows.iso)}: price, load, sun and battery; the table below has the figures`);
    const left = 46, right = draw.width - 8, x = (at) => left + at / count * (right - left);
    const perHour = Math.round(1 / rows.hours) || 1;
    const panel = (top, bottom, title, low, high, places) => {
      const y = (value) => bottom - (value - low) / (high - low || 1) * (bottom - top);
      draw.add("text", { x: 0, y: top - 8, class: "strong" }, title);
      const marks = ticks(low, high, 3);
      for (const value of marks.found) {
        draw.add("line", { x1: left, x2: right, y1: y(value), y2: y(value), class: "grid" });
        draw.add("text", { x: left - 4, y: y(value) + 4, "text-anchor": "end" }, number(value, Math.max(marks.places, places)));
      }
      return y;
    };
    const steps = (values, y) => values.map((value, at) =>
      `${at ? "L" : "M"}${x(at).toFixed(1)} ${y(value).toFixed(1)}H${x(at + 1).toFixed(1)}`).join("");
    const prices = rows.price.map((value) => value / data.day.price_scale);
    const price = panel(24, 96, `Price, ${data.currency} per kWh`, Math.min(0, ...prices), Math.max(...prices, 0.01), 0);
    draw.add("path", { d: steps(prices, price), class: "stroke" });
    rows.band.forEach((band, at) => {
      if (at && rows.band[at - 1] === band) return;
      let end = at;
      while (end < count && rows.band[end] === band) end += 1;
      const name = data.day.bands[band];
      if (x(end) - x(at) > name.length * 7) {
        // under the line where there is room, so that it never meets the title
        const line = price(prices[at]);
        draw.add("text", { x: x(at) + 3, y: line < 78 ? line + 14 : line - 5 }, name);
      }
    });
    const kw = (values) => values.map((value) => value / 1000 / rows.hours);
    const load = kw(rows.load), sun = kw(rows.sun);
    const power = panel(146, 256, data.has_sun ? "Power, kW: load solid, sun dashed" : "Load, kW", 0, Math.max(...load, ...sun, 0.1), 0);
    draw.add("path", { d: steps(load, power), class: "stroke-accent" });
    if (data.has_sun) draw.add("path", { d: steps(sun, power), class: "stroke-warm dashed" });
    const stored = [rows.before, ...rows.level].map((value) => value / 1000);
    const battery = panel(306, 436, "Battery, kWh: level striped, reserve dotted", 0, Math.max(data.day.ceiling / 1000, ...stored), 0);
    const edge = stored.map((value, at) => `${at ? "L" : "M"}${x(at).toFixed(1)} ${battery(value).toFixed(1)}`).join("");
    draw.add("path", { d: `${edge}V${battery(0)}H${x(0)}Z`, fill: "url(#p-diagonal)" });
    draw.add("path", { d: edge, class: "stroke-accent" });
    draw.add("path", { d: steps(rows.reserve.map((value) => value / 1000), battery), class: "stroke dotted" });
    rows.labels.forEach((label, at) => {
      const hour = Number(label.slice(0, 2));
      if (label.endsWith(":00") && hour % (draw.width < 500 ? 6 : 3) === 0 && (at % perHour === 0 || count < 24)) {
        draw.add("line", { x1: x(at), x2: x(at), y1: 436, y2: 442, class: "edge" });
        draw.add("text", { x: x(at), y: 456, "text-anchor": "middle" }, label.slice(0, 2));
      }
    });
    draw.add("text", { x: right, y: 456, "text-anchor": "end" }, "24");
  };
  const tellDay = () => {
    const rows = dayRows(), lowest = rows.level.indexOf(Math.min(...rows.level));
    const until = lowest + 1 < rows.clocks.length ? rows.clocks[lowest + 1] : "24:00";
    byId("day-date").value = rows.iso;
    byId("day-words").textContent = `${dateText(rows.iso)}: load ${kwh(sum(rows.load))} kWh, sun ${kwh(sum(rows.sun))} kWh; ` +
      `bought ${kwh(sum(rows.bought))} kWh, sold ${kwh(sum(rows.sold))} kWh. The battery takes ${kwh(sum(rows.charged))} kWh and gives ` +
      `${kwh(sum(rows.given))} kWh; it goes from ${kwh(rows.before)} to ${kwh(rows.level[rows.level.length - 1])} kWh, ` +
      `lowest ${kwh(rows.level[lowest])} kWh at ${until}.` +
      (data.day.summed ? " Steps are summed to hours." : "");
    drawDay();
    if (byId("day-details").open) tableDay();
  };
  const tableDay = () => {
    const rows = dayRows(), table = byId("day-table"), body = make("tbody"), head = make("tr");
    for (const name of ["From", "Price", `${data.currency} per kWh`, "Load, kWh", "Sun", "Charged", "Given", "Bought", "Sold", "Level at end", "Reserve"]) {
      head.append(make("th", { scope: "col", class: name === "From" || name === "Price" ? "" : "num" }, name));
    }
    rows.clocks.forEach((clock, at) => {
      const row = make("tr", {}, make("th", { scope: "row" }, clock), make("td", {}, data.day.bands[rows.band[at]]));
      row.append(make("td", { class: "num" }, number(rows.price[at] / data.day.price_scale, data.day.price_scale > 1000 ? 4 : 2)));
      for (const name of ["load", "sun", "charged", "given", "bought", "sold", "level", "reserve"]) {
        row.append(make("td", { class: "num" }, kwh(rows[name][at])));
      }
      body.append(row);
    });
    table.replaceChildren(make("thead", {}, head), body);
  };
  const goTo = (at) => {
    day = Math.min(Math.max(at, 0), data.day.days.length - 1);
    tellDay();
  };

  // ---- an outage ---------------------------------------------------------------------------------------------
  let failsAt = data.outage.worst;
  const KINDS = [["critical", "Critical load, no sun"], ["critical_sun", "Critical load, with sun"],
    ["all", "Nothing switched off, no sun"], ["all_sun", "Nothing switched off, with sun"]]
    .filter(([key]) => data.has_sun || !key.endsWith("_sun"));
  const momentText = (slots) => {
    const all = data.outage, whole = Math.floor(slots + 1e-9), at = whole % all.slots, index = dayAt(all, at);
    const [iso, first] = all.days[index], label = unfold(labelsOf(all, iso))[at - first];
    const minutes = Number(label.slice(3, 5)) + Math.floor((slots - whole) * 60 + 1e-6);
    const clock = `${label.slice(0, 3)}${String(Math.min(minutes, 59)).padStart(2, "0")}${label.slice(5)}`;
    return `${dateText(iso)} ${clock}${whole >= all.slots ? " (the data's start again)" : ""}`;
  };
  const fillHours = () => {
    const all = data.outage, index = dayAt(all, failsAt), [iso, first] = all.days[index];
    byId("out-date").value = iso;
    const options = unfold(labelsOf(all, iso)).map((label, at) => make("option", { value: first + at }, label));
    byId("out-hour").replaceChildren(...options);
    byId("out-hour").value = String(failsAt);
  };
  const drawOutage = () => {
    const all = data.outage, span = Number(byId("out-span").value);
    const draw = canvas("chart-outage", KINDS.length * 50 + 26, "How long each stays lit; the table below has the figures");
    const right = draw.width - 2, x = (hours) => hours / span * right;
    KINDS.forEach(([key, name], at) => {
      const y = at * 50, lit = Math.min(Math.max(all[key][failsAt], 0) / 100, span);
      draw.add("text", { x: 0, y: y + 15 }, name);
      if (lit > 0) area(draw, 1, y + 21, x(lit), 22, "accent");
      if (lit < span) area(draw, 1 + x(lit), y + 21, right - x(lit), 22, "url(#p-dark)");
      const words = lit >= span ? "lit" : lit > 0 ? `lit ${hoursText(all[key][failsAt])} h, then dark` : "dark at once";
      draw.add("text", { x: right, y: y + 15, "text-anchor": "end", class: "strong" }, words);
    });
    const step = span / 6;
    for (let hours = 0; hours <= span; hours += step) {
      const anchor = hours === 0 ? "start" : hours === span ? "end" : "middle";
      draw.add("text", { x: x(hours), y: KINDS.length * 50 + 18, "text-anchor": anchor }, `${hours} h`);
    }
  };
  const tellOutage = () => {
    const all = data.outage, body = byId("out-table").tBodies[0], span = Number(byId("out-span").value);
    body.replaceChildren();
    if (all.critical[failsAt] < 0) {
      byId("out-words").textContent = "What the battery held before the data begin is not known: pick a later hour.";
      byId("chart-outage").replaceChildren();
      return;
    }
    const lit = all.critical[failsAt];
    byId("out-words").textContent = `The grid fails ${momentText(failsAt)} for ${span} h, with ${kwh(all.level[failsAt])} kWh in the battery. ` +
      (lit >= span * 100 ? "The critical load stays lit without sun."
        : `The critical load is lit for ${hoursText(lit)} h, then dark for ${number(Math.ceil((span * 100 - lit) / 10 - 1e-9) / 10, 1)} h, without sun.`);
    for (const [key, name] of KINDS) {
      const hours = all[key][failsAt], beyond = hours >= all.horizon * 100;
      const dark = beyond ? "not within the count" : hours < 1 ? "at once" : momentText(failsAt + hours / 100);
      body.append(make("tr", { "data-kind": key }, make("th", { scope: "row" }, name),
        make("td", { class: "num" }, hoursText(hours)), make("td", {}, dark)));
    }
    drawOutage();
  };

  // ---- set going ---------------------------------------------------------------------------------------------
  const drawAll = () => {
    drawStrategies();
    drawMonths();
    drawSafety();
    drawDay();
    if (data.outage.critical[failsAt] >= 0) drawOutage();
  };
  const limit = (input, days) => {
    input.min = days[0][0];
    input.max = days[days.length - 1][0];
  };
  const findDay = (calendar, iso) => calendar.days.findIndex((each) => each[0] === iso);

  patterns();
  limit(byId("day-date"), data.day.days);
  limit(byId("out-date"), data.outage.days);
  day = Math.max(findDay(data.day, data.outage.days[dayAt(data.outage, failsAt)][0]), 0);
  drawStrategies();
  drawMonths();
  pickLevel(level);
  tellDay();
  fillHours();
  tellOutage();

  document.querySelectorAll('input[name="level"]').forEach((radio, at) => radio.addEventListener("change", () => pickLevel(at)));
  byId("day-date").addEventListener("change", (event) => {
    const at = findDay(data.day, event.target.value);
    if (at >= 0) goTo(at);
  });
  byId("day-back").addEventListener("click", () => goTo(day - 1));
  byId("day-on").addEventListener("click", () => goTo(day + 1));
  byId("day-details").addEventListener("toggle", () => { if (byId("day-details").open) tableDay(); });
  byId("out-date").addEventListener("change", (event) => {
    const at = findDay(data.outage, event.target.value);
    if (at < 0) return;
    const hour = byId("out-hour").selectedIndex, [iso, first] = data.outage.days[at];
    failsAt = first + Math.min(hour, labelsOf(data.outage, iso).length - 1);
    fillHours();
    tellOutage();
  });
  byId("out-hour").addEventListener("change", (event) => { failsAt = Number(event.target.value); tellOutage(); });
  byId("out-span").addEventListener("change", tellOutage);
  keepDrawn(drawAll, tableDay);
})();
