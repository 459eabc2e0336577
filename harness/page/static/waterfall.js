// The picture: stages against their budgets, and events in their lanes below. Many events are drawn as density.

const AXIS = 24, STAGE = 18, GAP = 10, LANE = 36, FEW = 90;

class Waterfall {
  constructor(run, section) {
    this.run = run;
    this.chart = section.querySelector("[data-chart]");
    this.canvas = this.chart.querySelector("canvas");
    this.viewText = section.querySelector("[data-view]");
    this.pen = this.canvas.getContext("2d");
    this.members = run.lanes.map((lane) => collectLane(run.events, lane.name));
    this.hovered = -1;
    this.isDue = false;
    this.height = AXIS + run.stages.length * STAGE + GAP + run.lanes.length * LANE;
    new Hands(this, section);
    run.onChange(() => this.demand());
    new ResizeObserver(() => this.demand()).observe(this.chart);
    this.demand();
  }

  demand() {
    if (this.isDue) return;
    this.isDue = true;
    requestAnimationFrame(() => { this.isDue = false; this.draw(); });
  }

  x(atS) { return this.gutter + ((atS - this.run.view[0]) / (this.run.view[1] - this.run.view[0])) * this.room; }
  time(x) { return this.run.view[0] + ((x - this.gutter) / this.room) * (this.run.view[1] - this.run.view[0]); }
  laneTop(i) { return AXIS + this.run.stages.length * STAGE + GAP + i * LANE; }

  // ------------------------------------------------------------ drawing

  draw() {
    const width = this.chart.clientWidth, ratio = window.devicePixelRatio || 1;
    if (!width) return;
    this.gutter = width < 560 ? 92 : 160;
    this.room = width - this.gutter - 6;
    this.canvas.width = width * ratio;
    this.canvas.height = this.height * ratio;
    this.canvas.style.height = `${this.height}px`;
    this.pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    this.pen.font = FONT;
    this.pen.textBaseline = "middle";
    this.ink = readColours();
    this.pen.clearRect(0, 0, width, this.height);
    this.drawAxis();
    this.run.stages.forEach((stage, i) => this.drawStage(stage, AXIS + i * STAGE));
    this.run.lanes.forEach((lane, i) => this.drawLane(lane, this.members[i], this.laneTop(i)));
    this.drawMarks();
    const [from, until] = this.run.view;
    this.viewText.textContent = `${from.toFixed(2)} s to ${until.toFixed(2)} s (${tellLength(until - from)})`;
  }

  drawAxis() {
    const pen = this.pen;
    for (const [atS, text] of listTicks(...this.run.view, this.room / 90)) {
      const x = Math.round(this.x(atS)) + 0.5;
      pen.strokeStyle = this.ink.line;
      this.line(x, AXIS - 4, x, this.height);
      this.write(`${text} s`, x + 3, AXIS / 2, this.ink.muted);
    }
  }

  drawStage(stage, top) {
    this.write(this.cut(stage.name, this.gutter - 12), 6, top + STAGE / 2, this.ink.ink);
    if (stage.startedS === null) return;
    const pen = this.pen, middle = top + STAGE / 2, right = this.gutter + this.room;
    const clip = (x) => Math.min(Math.max(x, this.gutter), right);
    const limit = this.x(stage.startedS + stage.budgetS), isReached = stage.tookS !== null;
    const from = this.x(stage.startedS), to = isReached ? this.x(stage.startedS + stage.tookS) : limit;
    if (from > right) return;
    pen.strokeStyle = this.ink.muted;
    this.line(clip(to), middle + 0.5, clip(limit), middle + 0.5);
    pen.fillStyle = this.ink.ink;
    if (limit <= right && limit >= this.gutter) pen.fillRect(limit - 1, top + 2, 2, STAGE - 4);
    if (to < this.gutter) return;
    const start = clip(from), end = clip(to);
    pen.fillStyle = pen.strokeStyle = this.ink[COLOUR_OF[stage.outcome]];
    if (isReached) pen.fillRect(start, top + 4, Math.max(end - start, 2), STAGE - 8);
    else this.dashed([5, 3], () => pen.strokeRect(start + 1, top + 4, Math.max(end - start - 2, 2), STAGE - 8));
    const took = isReached ? `${tellLength(stage.tookS)} of ${tellLength(stage.budgetS)}` : "not reached";
    this.nameBar(took, start, end, middle);
  }

  // After the bar, else before it, else on it: where there is room.
  nameBar(text, start, end, y) {
    const width = this.pen.measureText(text).width + 9;
    if (end + width < this.gutter + this.room) this.write(text, end + 6, y, this.ink.ink, "left", true);
    else if (start - width > this.gutter) this.write(text, start - 6, y, this.ink.ink, "right", true);
    else this.write(text, end - 8, y, this.ink.ink, "right", true);
  }

  drawLane(lane, members, top) {
    const pen = this.pen, [first, last] = this.run.view.map((instantS) => findFirst(members.at, instantS));
    pen.strokeStyle = this.ink.line;
    this.line(0, top + 0.5, this.gutter + this.room + 6, top + 0.5);
    this.write(this.cut(lane.title, this.gutter - 12), 6, top + LANE / 2 - 6, this.ink.ink);
    this.write(`${last - first} events`, 6, top + LANE / 2 + 9, this.ink.muted);
    if (last - first > FEW) this.drawDensity(members, first, last, top);
    else for (let k = first; k < last; k++) this.drawEvent(members, k, last, top);
    for (const k of members.deciding) if (k >= first && k < last) this.drawDeciding(members.event[k], top);
  }

  // A column of pixels is as high as the logarithm of its events; what the filter leaves is in the accent's colour.
  drawDensity(members, first, last, top) {
    const bins = Math.ceil(this.room / 3), all = new Uint32Array(bins + 1), found = new Uint32Array(bins + 1);
    for (let k = first; k < last; k++) {
      const bin = Math.floor((this.x(members.at[k]) - this.gutter) / 3);
      if (bin < 0 || bin > bins) continue;
      all[bin]++;
      if (this.lets(members.event[k])) found[bin]++;
    }
    const most = Math.log1p(all.reduce((a, b) => Math.max(a, b), 1)), room = LANE - 8;
    const paint = (counts, colour) => {
      this.pen.fillStyle = colour;
      counts.forEach((n, bin) => {
        const height = n ? Math.max((Math.log1p(n) / most) * room, 3) : 0;
        if (n) this.pen.fillRect(this.gutter + bin * 3, top + LANE - 3 - height, 2.4, height);
      });
    };
    if (this.run.matches) paint(all, this.ink.line);
    paint(found, this.ink.accent);
  }

  drawEvent(members, k, last, top) {
    const event = members.event[k], x = this.x(members.at[k]), pen = this.pen, y = top + LANE / 2;
    pen.fillStyle = this.lets(event) ? this.ink.accent : this.ink.line;
    pen.beginPath(); pen.arc(x, y, 3.6, 0, 7); pen.fill();
    const free = (k + 1 < last ? this.x(members.at[k + 1]) : this.gutter + this.room) - x - 16;
    if (free > 60 && this.lets(event)) this.write(this.cut(this.run.events.text[event], free), x + 8, y, this.ink.ink);
  }

  drawDeciding(event, top) {
    const x = this.x(this.run.events.at[event]), y = top + 9, pen = this.pen;
    pen.fillStyle = this.ink.ink;
    pen.beginPath(); pen.moveTo(x, y - 7); pen.lineTo(x + 7, y); pen.lineTo(x, y + 7); pen.lineTo(x - 7, y); pen.fill();
  }

  drawMarks() {
    const pen = this.pen, x = this.x(this.run.momentS);
    if (x >= this.gutter && x <= this.gutter + this.room) {
      pen.strokeStyle = this.ink.ink;
      this.dashed([4, 3], () => this.line(x, AXIS - 6, x, this.height));
    }
    for (const event of [this.run.chosen, this.hovered]) if (event >= 0) this.drawNote(event);
  }

  drawNote(event) {
    const events = this.run.events, lane = this.run.lanes.findIndex((l) => l.name === events.lane.get(event));
    const x = this.x(events.at[event]), pen = this.pen, top = lane < 0 ? AXIS : this.laneTop(lane);
    if (x < this.gutter || x > this.gutter + this.room) return;
    pen.strokeStyle = this.ink.ink; pen.lineWidth = 2;
    pen.beginPath(); pen.arc(x, top + LANE / 2, 7, 0, 7); pen.stroke(); pen.lineWidth = 1;
    const told = `${events.at[event].toFixed(3)}  ${events.node.get(event)}  ${events.text[event]}`;
    const text = this.cut(told, this.room * 0.8), width = pen.measureText(text).width + 12;
    const left = Math.min(Math.max(x - width / 2, this.gutter), this.gutter + this.room - width);
    const y = top + LANE + 22 < this.height ? top + LANE - 2 : top - 20;
    pen.fillStyle = this.ink.ink; pen.fillRect(left, y, width, 22);
    this.write(text, left + 6, y + 11, this.ink.paper);
  }

  line(fromX, fromY, toX, toY) {
    this.pen.beginPath();
    this.pen.moveTo(fromX, fromY);
    this.pen.lineTo(toX, toY);
    this.pen.stroke();
  }

  dashed(dash, draw) {
    this.pen.setLineDash(dash);
    draw();
    this.pen.setLineDash([]);
  }

  write(text, x, y, colour, align = "left", hasGround = false) {
    this.pen.textAlign = align;
    if (hasGround) {
      const width = this.pen.measureText(text).width;
      this.pen.fillStyle = this.ink.panel;
      this.pen.fillRect((align === "right" ? x - width : x) - 3, y - 8, width + 6, 16);
    }
    this.pen.fillStyle = colour;
    this.pen.fillText(text, x, y);
  }

  cut(text, room) {
    if (text.length > 400) text = text.slice(0, 400);
    if (this.pen.measureText(text).width <= room) return text;
    let low = 0, high = text.length;
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (this.pen.measureText(text.slice(0, middle) + "…").width <= room) low = middle; else high = middle - 1;
    }
    return low ? text.slice(0, low) + "…" : "";
  }

  lets(event) { return !this.run.matches || this.run.matches[event] === 1; }
}

function collectLane(events, name) {
  const place = events.lane.words.indexOf(name), found = [];
  for (let i = 0; i < events.count; i++) if (events.lane.places[i] === place) found.push(i);
  const deciding = [];
  found.forEach((event, k) => { if (events.decides.get(event)) deciding.push(k); });
  return { event: Uint32Array.from(found), at: Float64Array.from(found, (i) => events.at[i]), deciding };
}
