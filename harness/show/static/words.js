// Words and shapes of states: no state is told by colour alone. Not here: where they are shown.

import { svg } from "./dom.js";

/** Of a step's state (harness/core/steps.py): how it is called, its shape, its tone. */
const STATES = {
  waiting: ["waiting", "ring", "na"],
  running: ["running", "half", "accent"],
  reached: ["holds", "tick", "good"],
  taken: ["held before", "tick", "good"],
  missed: ["fails", "cross", "bad"],
  broken: ["open", "bang", "open"],
  blocked: ["blocked", "bar", "open"],
  judged: ["judged", "tick", "good"],
  timed_out: ["open", "bang", "open"],
  set_aside: ["does not apply", "dash", "na"],
};
const OUTCOMES = {
  PASS: ["holds", "tick", "good"],
  FAIL: ["fails", "cross", "bad"],
  INCONCLUSIVE: ["open", "bang", "open"],
  NOT_APPLICABLE: ["does not apply", "dash", "na"],
};
const DECISIONS = {
  ship: ["Ship", "tick", "good"],
  "do not ship": ["Do not ship", "cross", "bad"],
  undecided: ["Undecided", "bang", "open"],
};
const SHAPES = {
  ring: "M10,3.5 a6.5,6.5 0 1 0 0.01,0 Z",
  half: "M10,3.5 a6.5,6.5 0 1 0 0.01,0 Z M10,3.5 V16.5 A6.5,6.5 0 0 0 10,3.5 Z",
  tick: "M3.5,10.5 L8,15 L16.5,5",
  cross: "M4.5,4.5 L15.5,15.5 M15.5,4.5 L4.5,15.5",
  bang: "M10,3 V11.5 M10,15.2 V16.4",
  bar: "M10,3.5 a6.5,6.5 0 1 0 0.01,0 Z M5.5,5.5 L14.5,14.5",
  dash: "M4,10 H16",
};
/** Short names for a row of eight; the whole title is beside each. Another stage is called by its title. */
const SHORT = {
  powered: "Power", wan_obtained: "Uplink", online: "Internet", checked_in: "Check-in",
  upgraded: "Release", configured: "Config", tunnel_up: "Tunnel", hq_reached: "HQ",
};

/** Of a message's kind: what is not listed is shown as it is. */
const KINDS = { at: "AT", restconf: "RESTCONF", dhcp: "DHCP", ike: "IKE" };

export const kindWord = (kind) => KINDS[kind] ?? kind;
const UNKNOWN = (word) => [String(word), "bang", "open"];
export const ofState = (state) => STATES[state] ?? UNKNOWN(state);
export const ofOutcome = (outcome) => OUTCOMES[outcome] ?? UNKNOWN(outcome);
export const ofDecision = (decision) => DECISIONS[String(decision).toLowerCase()] ?? UNKNOWN(decision);
export const shortName = (stage) => SHORT[stage.name] ?? stage.title;

export function mark() {
  return svg("svg", { viewBox: "0 0 20 20", class: "shape", "aria-hidden": "true" }, svg("path", {}));
}

export function setMark(node, shape, tone) {
  if (node.dataset.shape === shape && node.dataset.tone === tone) return;
  node.dataset.shape = shape;
  node.dataset.tone = tone;
  node.firstChild.setAttribute("d", SHAPES[shape]);
}
