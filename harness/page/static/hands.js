// What keys, wheel, pointer and buttons do to the picture.

const NEAR = 8; // pixels from an event within which a pointer means it

class Hands {
  constructor(picture, section) {
    this.picture = picture;
    this.run = picture.run;
    this.chart = picture.chart;
    this.pointers = new Map();
    const acts = {
      in: () => this.run.zoom(0.5), out: () => this.run.zoom(2), left: () => this.run.move(-0.25),
      right: () => this.run.move(0.25), all: () => this.run.show(...this.run.whole()),
    };
    section.querySelector("[data-tools]").addEventListener("click", (e) => acts[e.target.dataset.do]?.());
    section.querySelector("[data-stage-zoom]").addEventListener("change", (e) => {
      if (e.target.value !== "") this.run.showStage(this.run.stages[Number(e.target.value)]);
    });
    this.bindKeys(acts);
    this.bindPointer();
  }

  bindKeys(acts) {
    const keys = new Map(Object.entries({
      "+": acts.in, "=": acts.in, "-": acts.out, "0": acts.all, ArrowLeft: acts.left, ArrowRight: acts.right,
      n: () => this.step(1), p: () => this.step(-1), Enter: () => this.open(),
    }));
    this.chart.addEventListener("keydown", (e) => {
      if (e.ctrlKey || e.metaKey || e.altKey || !keys.has(e.key)) return;
      e.preventDefault();
      keys.get(e.key)();
    });
  }

  bindPointer() {
    // The wheel belongs to the page until the picture is in focus, so that nobody is caught in it while scrolling by.
    this.chart.addEventListener("wheel", (e) => {
      if (document.activeElement !== this.chart && !e.ctrlKey) return;
      e.preventDefault();
      const isSideways = e.shiftKey || Math.abs(e.deltaX) > Math.abs(e.deltaY);
      if (isSideways) this.run.move(Math.sign(e.deltaX || e.deltaY) * 0.1);
      else this.run.zoom(e.deltaY > 0 ? 1.25 : 0.8, this.picture.time(e.offsetX));
    }, { passive: false });
    const on = (name, act) => this.chart.addEventListener(name, (e) => {
      const box = this.chart.getBoundingClientRect();
      act(e.pointerId, e.clientX - box.left, e.clientY - box.top);
    });
    on("pointerdown", (id, x) => {
      this.pointers.set(id, { x, isDrag: false });
      this.chart.setPointerCapture(id);
    });
    on("pointermove", (id, x, y) => {
      if (this.pointers.has(id)) this.drag(this.pointers.get(id), x);
      else this.hover(this.find(x, y));
    });
    on("pointerup", (id, x, y) => { if (this.release(id)) this.click(x, y); });
    on("pointercancel", (id) => this.release(id));
    on("pointerleave", () => this.hover(-1));
  }

  // Say whether that pointer was pressed and let go where it was.
  release(id) {
    const held = this.pointers.get(id);
    this.pointers.delete(id);
    return held && !held.isDrag;
  }

  hover(event) {
    if (event === this.picture.hovered) return;
    this.picture.hovered = event;
    this.picture.demand();
  }

  drag(held, x) {
    if (!held.isDrag && Math.abs(x - held.x) < 4) return;
    held.isDrag = true;
    const other = [...this.pointers.values()].find((p) => p !== held), { picture, run } = this;
    if (other) { // two fingers: the times below them stay below them
      const before = Math.abs(held.x - other.x), now = Math.abs(x - other.x);
      if (before > 8 && now > 8) run.zoom(before / now, picture.time(other.x));
    } else {
      const byS = picture.time(held.x) - picture.time(x);
      run.show(run.view[0] + byS, run.view[1] + byS);
    }
    held.x = x;
  }

  find(x, y) {
    const { picture } = this, members = picture.members[Math.floor((y - picture.laneTop(0)) / LANE)];
    if (!members || x < picture.gutter) return -1;
    const start = findFirst(members.at, picture.time(x - NEAR)), end = findFirst(members.at, picture.time(x + NEAR));
    let best = -1, least = Infinity;
    for (let k = start; k < end; k++) {
      const away = Math.abs(picture.x(members.at[k]) - x);
      if (away < least && picture.lets(members.event[k])) [best, least] = [members.event[k], away];
    }
    return best;
  }

  click(x, y) {
    const event = this.find(x, y), stage = y > AXIS ? this.run.stages[Math.floor((y - AXIS) / STAGE)] : undefined;
    if (event >= 0) {
      this.run.choose(event);
      this.open();
    } else if (stage && stage.startedS !== null) this.run.showStage(stage);
    else if (x >= this.picture.gutter) this.run.setMoment(this.picture.time(x));
  }

  step(by) {
    const { at, count } = this.run.events;
    let i = this.run.chosen >= 0 ? this.run.chosen + by : findFirst(at, this.run.view[0]);
    while (i >= 0 && i < count && !this.picture.lets(i)) i += by;
    if (i >= 0 && i < count) this.run.choose(i);
  }

  open() {
    const { chosen, events } = this.run;
    if (chosen >= 0) openEvidence(this.run, chosen, events.number[chosen], this.chart);
  }
}
