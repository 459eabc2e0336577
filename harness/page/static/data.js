// A run's data: unpacked from its script elements, and what the parts of the page share (view, choice, moment).

async function unpack(id) {
  const letters = atob(document.getElementById(id).textContent), octets = new Uint8Array(letters.length);
  for (let i = 0; i < letters.length; i++) octets[i] = letters.charCodeAt(i);
  const stream = new Blob([octets]).stream().pipeThrough(new DecompressionStream("gzip"));
  return JSON.parse(await new Response(stream).text());
}

class Run {
  constructor(index, columns) {
    this.index = index;
    this.fromS = Math.min(0, columns.from_s);
    this.untilS = Math.max(columns.until_s, this.fromS + 0.001);
    this.stages = columns.stages.map(
      ([name, startedS, tookS, budgetS, outcome]) => ({ name, startedS, tookS, budgetS, outcome }));
    this.lanes = columns.lanes.map(([name, title]) => ({ name, title }));
    this.parts = new Map(Object.entries(columns.parts));
    this.series = columns.series;
    this.events = readEvents(columns.events);
    this.view = this.whole();
    this.chosen = -1;
    this.momentS = this.untilS;
    this.matches = null; // Uint8Array: 1 where the list's filter lets an event through; null: no filter
    this.listeners = [];
    this.observations = null;
  }

  whole() {
    const margin = (this.untilS - this.fromS) * 0.01;
    return [this.fromS - margin, this.untilS + margin];
  }

  onChange(listener) { this.listeners.push(listener); }
  tell(what) { for (const listener of this.listeners) listener(what); }

  show(fromS, untilS) {
    const [least, most] = this.whole();
    const length = Math.min(Math.max(untilS - fromS, 0.001), most - least);
    const start = Math.min(Math.max(fromS, least), most - length);
    this.view = [start, start + length];
    this.tell("view");
  }

  zoom(factor, aroundS = (this.view[0] + this.view[1]) / 2) {
    const [from, until] = this.view;
    this.show(aroundS - (aroundS - from) * factor, aroundS + (until - aroundS) * factor);
  }

  move(share) {
    const step = (this.view[1] - this.view[0]) * share;
    this.show(this.view[0] + step, this.view[1] + step);
  }

  showStage(stage) {
    const length = Math.max(stage.tookS ?? Math.min(stage.budgetS, this.untilS - stage.startedS), 0.01);
    this.show(stage.startedS - length * 0.05, stage.startedS + length * 1.05);
  }

  choose(event) {
    this.chosen = event;
    if (event >= 0) {
      const at = this.events.at[event];
      const [from, until] = this.view;
      if (at < from || at > until) this.show(at - (until - from) / 2, at + (until - from) / 2);
      this.setMoment(at);
    }
    this.tell("chosen");
  }

  setMoment(atS) {
    this.momentS = Math.min(Math.max(atS, this.fromS), this.untilS);
    this.tell("moment");
  }

  stageAt(atS) {
    const isUnderWay = (s) => s.startedS !== null && atS >= s.startedS && atS < s.startedS + (s.tookS ?? s.budgetS);
    return this.stages.find(isUnderWay)?.name ?? "";
  }

  async readObservations() {
    this.observations ??= await unpack(`observations-${this.index}`);
    return this.observations;
  }

  eventOf(number) { return this.events.number.indexOf(number); }
}

function readEvents(columns) {
  const count = columns.at.length;
  const at = new Float64Array(count);
  let moment = 0;
  for (let i = 0; i < count; i++) at[i] = (moment += columns.at[i]) / 1e6;
  const read = ({ words, places }) => ({ words, places: Uint32Array.from(places), get: (i) => words[places[i]] });
  return {
    count, at, text: columns.text, pointer: columns.pointer, number: columns.number,
    lane: read(columns.lane), node: read(columns.node), kind: read(columns.kind), stage: read(columns.stage),
    decides: read(columns.decides),
  };
}

// The first event at or after an instant: events are in order of time.
function findFirst(at, instantS) {
  let low = 0, high = at.length;
  while (low < high) {
    const middle = (low + high) >> 1;
    if (at[middle] < instantS) low = middle + 1; else high = middle;
  }
  return low;
}
