"use strict";
(() => {
  const { data, canvas, area, patterns, keepDrawn } = Drawing;
  const drawYears = () => {
    const bars = [["saving", "accent"], ["bound", "url(#p-diagonal)"]].filter(([key]) => data.years.every((year) => year[key] !== null));
    const each = 22 + 22 * bars.length;
    const draw = canvas("chart-years", data.years.length * each + 4, "What each year saves; the table below has the figures");
    const room = draw.width - 110;
    const top = Math.max(...data.years.flatMap((year) => bars.map(([key]) => Math.abs(year[key]))), 1e-9);
    data.years.forEach((year, at) => {
      const y = at * each;
      draw.add("text", { x: 0, y: y + 15 }, year.name);
      bars.forEach(([key, fill], line) => {
        const loses = year[key] < 0, length = Math.max(Math.abs(year[key]) / top * room, 1);
        area(draw, 0.5, y + 20 + line * 22, length, 17, loses ? "url(#p-back)" : fill);
        draw.add("text", { x: length + 6, y: y + 33 + line * 22 }, loses ? `LOSES ${year[`${key}_text`].replace("-", "")}` : year[`${key}_text`]);
      });
    });
  };
  patterns();
  drawYears();
  keepDrawn(drawYears, () => {});
})();
