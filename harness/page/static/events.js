// The list of events: filtered, and only the rows that are in sight are in the page.

const SPARE = 8;
const isNarrow = matchMedia("(max-width: 720px)");

class EventList {
  constructor(run, section) {
    this.run = run;
    this.grid = section.querySelector("[data-grid]");
    this.head = this.grid.querySelector(".grid-head");
    this.body = section.querySelector("[data-rows]");
    this.count = section.querySelector("[data-count]");
    const names = ["find", "lane", "kind", "stage", "decides", "inview"];
    this.inputs = Object.fromEntries(names.map((name) => [name, section.querySelector(`[data-${name}]`)]));
    this.haystack = null; // made when it is first looked in
    this.shown = Uint32Array.from({ length: run.events.count }, (_, i) => i);
    this.row = 0;
    this.fill();
    this.bind();
    this.filter();
  }

  fill() {
    const events = this.run.events, titles = new Map(this.run.lanes.map((lane) => [lane.name, lane.title]));
    for (const name of ["lane", "kind", "stage"]) {
      for (const word of events[name].words) {
        if (!word) continue;
        const option = make("option", titles.get(word) ?? (name === "kind" ? NAMES_OF_KINDS.get(word) ?? word : word));
        option.value = word;
        this.inputs[name].append(option);
      }
    }
  }

  bind() {
    for (const [name, input] of Object.entries(this.inputs)) {
      input.addEventListener(name === "find" ? "input" : "change", () => this.filter());
    }
    this.run.onChange((what) => {
      if (what === "view" && this.inputs.inview.checked) this.filter();
      if (what === "chosen") this.reveal(this.run.chosen);
    });
    this.grid.addEventListener("scroll", () => this.render(), { passive: true });
    new ResizeObserver(() => this.render()).observe(this.grid);
    isNarrow.addEventListener("change", () => this.render());
    this.grid.addEventListener("keydown", (e) => this.key(e));
    this.body.addEventListener("click", (e) => {
      const place = e.target.closest("[data-place]")?.dataset.place;
      if (place !== undefined) { this.go(Number(place)); this.open(); }
    });
  }

  filter() {
    const { events, view } = this.run, want = this.inputs, text = want.find.value.trim().toLowerCase();
    const choose = (name) => (want[name].value === "" ? -1 : events[name].words.indexOf(want[name].value));
    const [lane, kind, stage] = ["lane", "kind", "stage"].map(choose);
    const isOpen = !text && lane < 0 && kind < 0 && stage < 0 && !want.decides.checked && !want.inview.checked;
    const join = (t, i) => `${events.node.get(i)} ${events.kind.get(i)} ${t} ${events.pointer[i]}`.toLowerCase();
    if (text) this.haystack ??= events.text.map(join);
    const matches = new Uint8Array(events.count), found = [];
    for (let i = 0; i < events.count; i++) {
      if (lane >= 0 && events.lane.places[i] !== lane) continue;
      if (kind >= 0 && events.kind.places[i] !== kind) continue;
      if (stage >= 0 && events.stage.places[i] !== stage) continue;
      if (want.decides.checked && !events.decides.get(i)) continue;
      if (want.inview.checked && (events.at[i] < view[0] || events.at[i] > view[1])) continue;
      if (text && !this.haystack[i].includes(text)) continue;
      matches[i] = 1;
      found.push(i);
    }
    this.shown = Uint32Array.from(found);
    this.run.matches = isOpen ? null : matches;
    this.count.textContent = `${found.length} of ${events.count} events`;
    this.grid.setAttribute("aria-rowcount", String(found.length + 1));
    this.row = Math.max(0, found.indexOf(this.run.chosen));
    this.grid.scrollTop = 0;
    this.render();
    this.run.tell("filter");
  }

  render() {
    const size = isNarrow.matches ? 54 : 28, { events } = this.run;
    this.size = size;
    const first = Math.max(0, Math.floor(this.grid.scrollTop / size) - SPARE);
    const last = Math.min(this.shown.length, Math.ceil((this.grid.scrollTop + this.grid.clientHeight) / size) + SPARE);
    const rows = [];
    for (let place = first; place < last; place++) {
      const i = this.shown[place], row = make("div", "", "row");
      row.setAttribute("role", "row");
      row.setAttribute("aria-rowindex", String(place + 2));
      row.id = `r${this.run.index}-row-${place}`;
      row.dataset.place = String(place);
      row.style.top = `${place * size}px`;
      if (events.decides.get(i)) row.classList.add("decides");
      if (place === this.row) row.classList.add("active");
      row.setAttribute("aria-selected", String(i === this.run.chosen));
      const node = events.node.get(i), decided = events.decides.get(i);
      const words = [events.at[i].toFixed(3), decided ? `◆ ${node}` : node, events.kind.get(i), events.text[i]];
      for (const word of words) {
        const cell = make("span", word || "–");
        cell.setAttribute("role", "gridcell");
        row.append(cell);
      }
      if (decided) row.children[1].setAttribute("aria-label", `${node}, decided ${decided}`);
      row.children[3].title = events.text[i].slice(0, 500);
      rows.push(row);
    }
    if (!rows.length) rows.push(this.tellNone());
    this.body.style.height = `${Math.max(this.shown.length, 1) * size}px`;
    this.body.replaceChildren(...rows);
    const active = this.row >= first && this.row < last ? this.row : first;
    if (this.shown.length) this.grid.setAttribute("aria-activedescendant", `r${this.run.index}-row-${active}`);
    else this.grid.removeAttribute("aria-activedescendant");
  }

  tellNone() {
    const row = make("div", "", "row"), cell = make("span", "Nothing of that was seen.");
    row.setAttribute("role", "row");
    cell.setAttribute("role", "gridcell");
    cell.style.gridColumn = "1 / -1";
    row.append(cell);
    return row;
  }

  key(e) {
    const page = Math.max(1, Math.floor(this.grid.clientHeight / this.size) - 2), end = this.shown.length - 1;
    const steps = { ArrowDown: 1, ArrowUp: -1, PageDown: page, PageUp: -page, Home: -Infinity, End: Infinity };
    const to = e.key in steps ? Math.min(Math.max(this.row + steps[e.key], 0), end) : undefined;
    if (e.key === "Enter") { e.preventDefault(); this.go(this.row); this.open(); }
    if (to === undefined || e.ctrlKey || e.metaKey || e.altKey) return;
    e.preventDefault();
    this.go(to);
  }

  go(place) {
    if (!this.shown.length) return;
    this.row = Math.min(Math.max(place, 0), this.shown.length - 1);
    this.run.choose(this.shown[this.row]);
  }

  reveal(event) {
    if (this.shown[this.row] !== event) {
      const place = this.shown.indexOf(event);
      if (place < 0) return;
      this.row = place;
    }
    const top = this.row * this.size, room = this.grid.clientHeight - this.head.offsetHeight;
    if (top < this.grid.scrollTop) this.grid.scrollTop = top;
    else if (top + this.size > this.grid.scrollTop + room) this.grid.scrollTop = top + this.size - room;
    this.render();
  }

  open() {
    const event = this.shown[this.row];
    if (event !== undefined) openEvidence(this.run, event, this.run.events.number[event], this.grid);
  }
}
