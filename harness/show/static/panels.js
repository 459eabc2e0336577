// What is written beside the picture: stages with their clocks, the router's own lights, messages, checks, the verdict.
// Law: a scene is shown as it is; only the clock goes on by itself between two scenes.

import { byId, el, put, seconds, set } from "./dom.js";
import { kindWord, mark, ofDecision, ofOutcome, ofState, setMark, shortName } from "./words.js";

const LIGHTS = { power: "Power", signal: "Signal", online: "Online", tunnel: "Tunnel" };
const LOG_ROWS = 80;
const PHASES = {
  waiting: "not started", building: "the bench is being built", running: "from power-on", paused: "paused",
  over: "over", broken: "the bench broke",
};

export class Panels {
  constructor() {
    this.cells = new Map();
    this.rows = new Map();
    this.said = new Map();
    this.concluded = "";
    const bars = [1, 2, 3, 4].map(() => el("i"));
    this.signal = el("span");
    byId("signal").append(el("span", { class: "bars", "aria-hidden": "true" }, ...bars), this.signal);
  }

  show(scene, nowS) {
    document.body.dataset.phase = scene.phase;
    put(byId("mode"), scene.mode === "live" ? "live bench" : "recorded run");
    put(byId("site"), scene.site || scene.run);
    put(byId("profile"), scene.profile);
    put(byId("headline"), scene.headline);
    put(byId("hint"), scene.hint);
    this.showStages(scene);
    this.showDevice(scene);
    this.showChecks(scene.checks);
    this.showTrouble(scene.faults);
    this.showVerdict(scene);
    this.tick(scene, nowS);
  }

  /** Bring what runs with the clock to an instant: between scenes, too. */
  tick(scene, nowS) {
    put(byId("clock"), nowS.toFixed(1));
    const pace = scene.pace ? `, ${scene.pace} pace` : "";
    put(byId("phase"), `${PHASES[scene.phase] ?? scene.phase}${pace}`);
    for (const stage of scene.stages) this.showClock(stage, nowS);
  }

  showStages(scene) {
    const names = scene.stages.map((s) => s.name).join(" ");
    if (names !== this.names) {
      this.names = names;
      this.cells.clear();
      byId("stages").replaceChildren(...scene.stages.map((s) => this.buildCell(s.name)), this.buildCell(""));
    }
    const changes = scene.stages.map((stage) => this.showStage(stage)).filter(Boolean);
    if (changes.length) put(byId("said"), changes.join(". "));
    this.showTally(scene.checks);
  }

  buildCell(name) {
    const cell = {
      mark: mark(), title: el("b"), word: el("span", { class: "word" }), time: el("span", { class: "took" }),
      bar: el("i"), budget: el("span"), whole: el("span", { class: "unseen" }),
    };
    cell.node = el("li", {},
      el("p", {}, cell.mark, cell.title, cell.whole),
      el("p", { class: "line" }, cell.word, cell.time),
      el("p", { class: "scale" }, el("span", { class: "bar", "aria-hidden": "true" }, cell.bar), cell.budget));
    this.cells.set(name, cell);
    return cell.node;
  }

  showStage(stage) {
    const cell = this.cells.get(stage.name);
    const [word, shape, tone] = ofState(stage.state);
    setMark(cell.mark, shape, tone);
    put(cell.title, shortName(stage));
    put(cell.whole, `. ${stage.title}. ${stage.summary}`);
    put(cell.word, word);
    set(cell.node, "data-tone", tone);
    set(cell.node, "title", `${stage.title}: ${word}`);
    if (stage.state === "running") set(cell.node, "aria-current", "step");
    else cell.node.removeAttribute("aria-current");
    return this.findChange(stage, word);
  }

  /** Return what is to be said aloud: stage changes and no more, since messages come too fast to be listened to. */
  findChange(stage, word) {
    const before = this.said.get(stage.name);
    this.said.set(stage.name, stage.state);
    if (before === undefined || before === stage.state || stage.state === "waiting") return "";
    return `${stage.title}: ${word}${stage.took_s === null ? "" : `, ${seconds(stage.took_s)} seconds`}`;
  }

  showClock(stage, nowS) {
    const cell = this.cells.get(stage.name);
    if (!cell) return;
    const runs = stage.state === "running" && stage.started_s !== null;
    const took = runs ? Math.max(0, nowS - stage.started_s) : stage.took_s;
    const share = took === null ? (stage.state === "missed" ? 1 : 0) : Math.min(1, took / stage.budget_s);
    put(cell.time, took === null ? "" : `${seconds(took)} s`);
    put(cell.budget, `${seconds(stage.budget_s)} s`);
    cell.bar.style.width = `${(share * 100).toFixed(1)}%`;
  }

  showTally(checks) {
    const cell = this.cells.get("");
    const count = (outcome) => checks.filter((c) => c.outcome === outcome).length;
    const judged = checks.length - count(null);
    const apply = checks.length - count("NOT_APPLICABLE");
    const holds = count("PASS");
    const isWhole = judged === checks.length;
    const [word, shape, tone] = sumUp(isWhole, judged, apply, holds, count("FAIL"), count("INCONCLUSIVE"));
    setMark(cell.mark, shape, tone);
    set(cell.node, "data-tone", tone);
    put(cell.title, "Checks");
    put(cell.word, word);
    put(cell.time, tone === "good" || apply === 0 ? "" : `${holds} hold`);
    put(cell.budget, `of ${apply}`);
    cell.bar.style.width = `${((judged / (checks.length || 1)) * 100).toFixed(1)}%`;
  }

  showDevice(scene) {
    const list = byId("lights");
    if (!list.childElementCount) {
      for (const [light, title] of Object.entries(LIGHTS)) {
        const lamp = el("i", { "aria-hidden": "true" });
        list.append(el("li", { "data-light": light }, lamp, el("span", {}, title), el("b")));
      }
    }
    for (const row of list.children) {
      const state = scene.lights[row.dataset.light] ?? "off";
      set(row, "data-state", state);
      put(row.lastChild, state);
    }
    const signal = scene.signal;
    set(byId("signal"), "data-level", signal ? signal.level : 0);
    const dbm = signal && signal.rsrp_dbm !== null ? `${Math.round(signal.rsrp_dbm)} dBm, `.replace("-", "−") : "";
    put(this.signal, signal ? `${dbm}${signal.words}` : "no signal measured");
  }

  showChecks(checks) {
    const list = byId("checks");
    for (const check of checks) {
      let row = this.rows.get(check.name);
      if (!row) {
        row = { mark: mark(), title: el("span"), word: el("b") };
        row.node = el("li", {}, row.mark, el("p", {}, row.title, row.word));
        this.rows.set(check.name, row);
        list.append(row.node);
      }
      const [word, shape, tone] = check.outcome === null ? ["not judged yet", "ring", "na"] : ofOutcome(check.outcome);
      setMark(row.mark, shape, tone);
      set(row.node, "data-tone", tone);
      put(row.title, check.title);
      const claims = check.claims && check.outcome !== "NOT_APPLICABLE";
      put(row.word, claims ? `${word}, ${check.held} of ${check.claims} claims` : word);
    }
    for (const [name, row] of this.rows) row.node.hidden = !checks.some((c) => c.name === name);
  }

  /** What is put upon the run on purpose: whoever looks must not take it for the branch's own trouble. */
  showTrouble(faults) {
    const titles = faults.filter((f) => f.active).map((f) => f.title);
    byId("trouble").hidden = titles.length === 0;
    put(byId("trouble"), `Put upon it on purpose: ${titles.join(", ")}`);
  }

  showVerdict(scene) {
    const key = JSON.stringify([scene.verdict, scene.causes]);
    if (key === this.concluded) return;
    this.concluded = key;
    const box = byId("verdict");
    box.hidden = !scene.verdict && !scene.causes.length;
    box.replaceChildren();
    if (scene.verdict) {
      const [word, shape, tone] = ofDecision(scene.verdict.decision);
      const sign = mark();
      setMark(sign, shape, tone);
      set(box, "data-tone", tone);
      box.append(el("p", { class: "decision" }, sign, el("b", {}, word)));
      if (scene.verdict.text !== scene.headline) box.append(el("p", {}, scene.verdict.text));
      put(byId("said"), `${word}. ${scene.verdict.text}`);
    }
    scene.causes.slice(0, 3).forEach((cause, n) => {
      box.append(el("h2", {}, `${n ? "Or" : "Cause"}: ${cause.title}`));
      if (n) return;
      box.append(el("p", {}, cause.sentence));
      if (cause.at_site) box.append(el("p", { class: "on-site" }, el("b", {}, "On site: "), cause.at_site));
    });
  }

  /** Put new messages on top of the list. */
  log(messages, names, anew) {
    const list = byId("log");
    if (anew) list.replaceChildren();
    for (const message of messages) {
      const who = message.source === message.target ? names(message.source)
        : `${names(message.source)} → ${names(message.target)}`;
      list.prepend(el("li", {}, el("span", { class: "at" }, message.at_s.toFixed(2)),
        el("span", { class: "tag" }, kindWord(message.kind)),
        el("span", { class: "way-of" }, who), el("p", {}, message.text)));
    }
    while (list.childElementCount > LOG_ROWS) list.lastChild.remove();
  }
}

/** Return word, shape and tone of all checks together. */
function sumUp(isWhole, judged, apply, holds, failed, opened) {
  if (apply === 0) return ["none run", "dash", "na"];
  if (failed) return [`${failed} fail${failed === 1 ? "s" : ""}`, "cross", "bad"];
  if (opened) return [`${opened} open`, "bang", "open"];
  if (isWhole) return [`${holds} hold`, "tick", "good"];
  return judged ? ["running", "half", "accent"] : ["waiting", "ring", "na"];
}
