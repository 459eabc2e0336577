// The controls: what a person does to the picture, and to the bench. Laws: only what the scene allows is enabled; every
// order goes to POST /act, and a refusal is shown in the server's words. Not here: what comes of an order (the scene).

import { byId, el, plain, put, seconds, set } from "./dom.js";

const LEAP_S = 5;
const BENCH_ACTS = ["cut_power", "give_power", "pull_sim", "insert_sim", "inject", "mend"];

export class Helm {
  constructor(token) {
    this.token = token;
    this.scene = null;
    /** Somebody has the seek bar in hand: no scene moves it. */
    this.held = false;
    this.seeking = false;
    this.marks = new Map();
    this.faults = new Map();
    this.search = "";
    this.listen();
  }

  async order(act, more = {}) {
    put(byId("refused"), "");
    try {
      const answer = await fetch(`/act?token=${encodeURIComponent(this.token)}`, {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ act, ...more }),
      });
      if (!answer.ok) put(byId("refused"), `Not done: ${(await answer.json()).error}`);
    } catch {
      // The server is gone or does not speak JSON any more: the bar on top says so as well, and tries again.
      put(byId("refused"), "Not done: the server does not answer.");
    }
  }

  allows(act) {
    return this.scene !== null && this.scene.acts.includes(act);
  }

  listen() {
    byId("go").addEventListener("click", () => this.go());
    for (const button of document.querySelectorAll("button[data-act]")) {
      button.addEventListener("click", () => this.order(button.dataset.act));
    }
    byId("pause-at").addEventListener("change", (e) => this.order("pause_at_stages", { on: e.target.checked }));
    byId("even").addEventListener("change", (e) => this.order("even", { on: e.target.checked }));
    byId("runs").addEventListener("change", (e) => this.order("open", { run: e.target.value }));
    const speed = byId("speed");
    speed.addEventListener("input", () => this.showSpeed(10 ** speed.value));
    speed.addEventListener("change", () => this.order("speed", { speed: Number((10 ** speed.value).toFixed(2)) }));
    const seek = byId("seek");
    seek.addEventListener("input", () => { this.held = true; });
    seek.addEventListener("change", () => {
      this.held = this.seeking = true;
      this.order("seek", { at_s: Number(seek.value) }).finally(() => { this.held = this.seeking = false; });
    });
    for (const end of ["pointerup", "keyup", "blur"]) {
      seek.addEventListener(end, () => { this.held = this.seeking; });
    }
    byId("fault-search").addEventListener("input", (e) => {
      this.search = e.target.value.trim().toLowerCase();
      this.sift();
    });
    document.addEventListener("keydown", (e) => this.onKey(e));
  }

  /** Start, pause or go on: whatever is next. */
  go() {
    const act = ["start", "pause", "go_on", "again"].find((a) => a === this.next());
    if (act) this.order(act);
  }

  next() {
    const { phase } = this.scene ?? {};
    if (phase === "waiting") return "start";
    if (phase === "paused") return "go_on";
    if (phase === "over" || phase === "broken") return this.allows("again") ? "again" : "go_on";
    return "pause";
  }

  onKey(event) {
    const at = event.target;
    const typing = at.matches("input:not([type=range]):not([type=checkbox]), select, textarea");
    if (typing || event.ctrlKey || event.altKey || event.metaKey) return;
    const plainPlace = !at.matches("button, input, summary, select, [role=tab]");
    const along = plainPlace || at.id === "seek";
    const keys = {
      " ": () => plainPlace && this.go(),
      n: () => this.allows("next_stage") && this.order("next_stage"),
      s: () => byId("speed").focus(),
      ArrowLeft: () => along && this.leap(-LEAP_S),
      ArrowRight: () => along && this.leap(LEAP_S),
    };
    const done = keys[event.key]?.();
    if (done !== false && event.key in keys) event.preventDefault();
  }

  leap(by_s) {
    if (!this.allows("seek")) return;
    const at_s = Math.min(this.scene.live_s, Math.max(0, this.scene.at_s + by_s));
    this.order("seek", { at_s: Number(at_s.toFixed(3)) });
  }

  show(scene, nowS) {
    this.scene = scene;
    const next = this.next();
    put(byId("go"), { start: "Start", pause: "Pause", go_on: "Go on", again: "Again" }[next]);
    byId("go").disabled = !this.allows(next);
    for (const button of document.querySelectorAll("button[data-act]")) {
      button.disabled = !this.allows(button.dataset.act);
    }
    byId("pause-at").disabled = !this.allows("pause_at_stages");
    byId("pause-at").checked = scene.pause_at_stages;
    byId("even").disabled = !this.allows("even");
    byId("even").checked = scene.even;
    byId("finish").hidden = !this.allows("finish");
    const speed = byId("speed");
    speed.disabled = !this.allows("speed");
    if (document.activeElement !== speed) speed.value = Math.log10(scene.speed);
    this.showSpeed(document.activeElement === speed ? 10 ** speed.value : scene.speed);
    this.showSeek(scene, nowS);
    this.showRuns(scene);
    this.showBench(scene);
  }

  showSpeed(times) {
    const word = `${times < 1 ? times.toFixed(2) : times.toFixed(1)}×`;
    put(byId("speed-word"), word);
    set(byId("speed"), "aria-valuetext", word);
  }

  showSeek(scene, nowS) {
    const seek = byId("seek");
    const end = Math.max(scene.live_s, 0.1);
    seek.disabled = !this.allows("seek");
    set(seek, "max", end.toFixed(1));
    if (!this.held) seek.value = nowS;
    set(seek, "aria-valuetext", `${seconds(nowS)} of ${seconds(end)} seconds`);
    seek.style.setProperty("--share", `${(100 * Math.min(1, Number(seek.value) / end)).toFixed(2)}%`);
    put(byId("edge"), scene.phase === "waiting" && scene.mode === "live" ? ""
      : scene.mode === "live" ? `bench at ${scene.live_s.toFixed(1)} s` : `of ${seconds(scene.live_s)} s`);
    this.showMarks(scene, end);
  }

  /** Where stages began; kept while the same run is shown, so that they stay when one goes back. */
  showMarks(scene, end) {
    if (this.run !== scene.run) {
      this.run = scene.run;
      this.marks.clear();
      byId("marks").replaceChildren();
    }
    for (const stage of scene.stages) {
      if (stage.started_s === null) continue;
      if (!this.marks.has(stage.name)) {
        const tick = el("i");
        this.marks.set(stage.name, tick);
        byId("marks").append(tick);
      }
      this.marks.get(stage.name).dataset.at = stage.started_s;
    }
    for (const tick of this.marks.values()) tick.style.left = `${((100 * tick.dataset.at) / end).toFixed(2)}%`;
  }

  showRuns(scene) {
    const runs = this.allows("open") ? (scene.runs ?? []) : [];
    byId("runs-label").hidden = runs.length === 0;
    const on = runs.find((r) => r.chosen);
    const key = JSON.stringify([runs, on?.name]);
    if (key === this.runs) return;
    this.runs = key;
    const options = runs.map((r) => el("option", { value: r.name }, r.title));
    if (!on) options.unshift(el("option", { value: "", disabled: "" }, "choose a recorded run"));
    byId("runs").replaceChildren(...options);
    byId("runs").value = on?.name ?? "";
  }

  showBench(scene) {
    const can = BENCH_ACTS.some((act) => this.allows(act));
    const ahead = scene.live_s - scene.at_s;
    for (const id of ["search", "fault-count"]) byId(id).hidden = scene.mode !== "live";
    byId("hands").hidden = scene.mode !== "live" || scene.phase === "waiting";
    put(byId("bench-note"), tellBench(scene, can, ahead));
    const how = [this.allows("inject"), this.allows("mend"), scene.phase === "waiting"];
    const key = JSON.stringify([scene.faults, how]);
    if (key === this.faultKey) return;
    this.faultKey = key;
    this.showFaults(scene.faults);
  }

  showFaults(faults) {
    const families = new Map();
    this.faults.clear();
    for (const fault of faults) {
      if (!families.has(fault.family)) families.set(fault.family, el("section", {}, el("h3", {}, fault.family)));
      families.get(fault.family).append(this.buildFault(fault));
    }
    byId("faults").replaceChildren(...families.values());
    this.sift();
  }

  buildFault(fault) {
    const act = fault.active ? "mend" : "inject";
    const [putOn, takeOff] = this.scene.phase === "waiting" ? ["Choose", "Leave out"] : ["Inject", "Mend"];
    const button = el("button", { type: "button" }, fault.active ? takeOff : putOn);
    button.disabled = !this.allows(act) || Boolean(fault.why_not);
    button.append(el("span", { class: "unseen" }, ` ${fault.title}`));
    button.addEventListener("click", () => this.order(act, { name: fault.name }));
    const words = el("div", {}, el("b", {}, fault.title), el("p", {}, fault.cause));
    if (fault.why_not) words.append(el("p", { class: "why" }, `Not now: ${fault.why_not}`));
    const row = el("div", { class: fault.active ? "fault active" : "fault" }, words, button);
    this.faults.set(row, plain(`${fault.name} ${fault.title} ${fault.family} ${fault.cause}`).toLowerCase());
    return row;
  }

  sift() {
    let found = 0;
    for (const [row, text] of this.faults) {
      row.hidden = !this.search.split(/\s+/u).every((word) => text.includes(word));
      if (!row.hidden) found += 1;
    }
    for (const section of byId("faults").children) section.hidden = !section.querySelector(".fault:not([hidden])");
    put(byId("fault-count"), `${found} of ${this.faults.size} faults`);
  }
}

function tellBench(scene, can, ahead) {
  if (scene.mode !== "live") return "This is a recorded run: there is no bench to act on.";
  if (scene.phase === "waiting") return "Faults chosen now are put upon the run from its start.";
  if (!can) return "The bench takes no orders at the moment.";
  if (ahead < 0.5) return "What is done here is done on the bench at once.";
  return `What is done here is done on the bench now; this picture is ${ahead.toFixed(0)} s behind it.`;
}
