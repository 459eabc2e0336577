// Plots of what was measured; each has its table below it in the page.

class Plots {
  constructor(run, section) {
    this.run = run;
    this.places = [...section.querySelectorAll("[data-plot]")];
    this.plots = [];
    this.width = 0;
    new ResizeObserver(() => { if (section.clientWidth !== this.width) this.build(); }).observe(section);
    run.onChange((what) => { if (what === "moment") for (const plot of this.plots) plot.redraw(false); });
    this.section = section;
  }

  build() {
    this.width = this.section.clientWidth;
    for (const plot of this.plots) plot.destroy();
    if (!this.width) { this.plots = []; return; }
    const ink = readColours();
    this.plots = this.places.map((place, i) => this.plot(this.run.series[i], place, ink)).filter(Boolean);
  }

  plot(series, place, ink) {
    if (!series.points.length) return null;
    const axis = { stroke: ink.muted, grid: { stroke: ink.line, width: 1 }, ticks: { stroke: ink.line, width: 1 } };
    const lines = [{ label: "seconds" }, {
      label: series.unit || series.title, stroke: ink.accent, width: 1.5,
      points: { show: series.points.length <= 200, size: 6, fill: ink.accent },
    }];
    const data = [series.points.map((p) => p[0]), series.points.map((p) => p[1])];
    return new uPlot({
      width: place.clientWidth,
      height: 220,
      series: lines,
      scales: {
        x: { time: false, range: (u, least, most) => spread(least, most, 0.5) },
        y: { range: (u, least, most) => {
          const limit = series.limit ?? most; // it is in sight, however far off
          return spread(Math.min(least, limit), Math.max(most, limit), Math.abs(most) * 0.05);
        } },
      },
      axes: [{ ...axis, values: (u, ticks) => ticks.map((t) => `${t} s`) }, { ...axis, size: 64 }],
      cursor: { drag: { x: false, y: false } }, hooks: { draw: [(u) => this.drawLines(u, series, ink)] },
    }, data, place);
  }

  drawLines(u, series, ink) {
    const { left, top, width, height } = u.bbox, x = u.valToPos(this.run.momentS, "x", true);
    const line = (colour, dash, from, to) => {
      u.ctx.strokeStyle = colour;
      u.ctx.setLineDash(dash);
      u.ctx.beginPath(); u.ctx.moveTo(...from); u.ctx.lineTo(...to); u.ctx.stroke();
    };
    u.ctx.save();
    if (x >= left && x <= left + width) line(ink.ink, [4, 3], [x, top], [x, top + height]);
    if (series.limit !== null) {
      const y = u.valToPos(series.limit, "y", true);
      line(ink.bad, [9, 5], [left, y], [left + width, y]);
      u.ctx.fillStyle = ink.bad;
      u.ctx.font = FONT.replace("12px", `${12 * devicePixelRatio}px`);
      u.ctx.textAlign = "left";
      u.ctx.textBaseline = "top";
      u.ctx.fillText("limit", left + 6, y + 4);
    }
    u.ctx.restore();
  }
}

// An axis a little longer than its values; `least` where they are all the same.
function spread(low, high, least) {
  const margin = Math.max((high - low) * 0.08, least, 1e-6);
  return [low - margin, high + margin];
}
