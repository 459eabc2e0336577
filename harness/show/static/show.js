// The live page: scenes come by server-sent events, everything shown is a function of the newest one and the clock.
// Law: between two scenes the clock goes on at the scene's own rate, but never beyond GUESS_S or the tape's edge.

import { Chart } from "./chart.js";
import { byId, put } from "./dom.js";
import { Helm } from "./helm.js";
import { Panels } from "./panels.js";
import { watchTabs } from "./tabs.js";
import { Voyages } from "./voyage.js";

const GUESS_S = 1;
const TRY_AGAIN_MS = 400;
const PATIENCE_MS = 1500;
const LOST = "The connection to the bench is lost: this picture stands still. Trying again.";

const token = new URLSearchParams(location.search).get("token") ?? "";
const chart = new Chart();
const panels = new Panels();
const voyages = new Voyages(chart);
const helm = new Helm(token);

let scene = null;
let cameAt = 0;
let lostTimer = null;
let last = { run: "", number: -1, at_s: 0 };

function findNowS(now) {
  if (scene.phase !== "running") return scene.at_s;
  const guess = Math.min(GUESS_S, (now - cameAt) / 1000) * scene.rate;
  return Math.min(scene.at_s + guess, Math.max(scene.live_s, scene.at_s));
}

function onScene(next) {
  scene = next;
  cameAt = performance.now();
  const titles = new Map(scene.nodes.map((n) => [n.name, n.title]));
  const names = (name) => titles.get(name) ?? name;
  chart.show(scene);
  panels.show(scene, scene.at_s);
  helm.show(scene, scene.at_s);
  const anew = scene.run !== last.run || scene.at_s < last.at_s;
  if (anew) voyages.clear();
  const fresh = scene.messages.filter((m) => anew || m.number > last.number);
  panels.log(fresh, names, anew);
  voyages.setOut(anew ? fresh.slice(-1) : fresh, names);
  voyages.invite(scene.phase);
  last = { run: scene.run, at_s: scene.at_s, number: scene.messages.at(-1)?.number ?? (anew ? -1 : last.number) };
}

function onFrame(now) {
  if (scene !== null && scene.phase === "running") {
    const nowS = findNowS(now);
    panels.tick(scene, nowS);
    helm.showSeek(scene, nowS);
    for (const link of scene.links) if (link.name === "tunnel") chart.showLink(link);
  }
  requestAnimationFrame(onFrame);
}

function tell(text) {
  const bar = byId("lost");
  bar.hidden = text === "";
  put(bar, text);
}

/** A browser drops its connections whenever this machine's networks change, and a lab makes many: come back at once,
 * and speak of it only where that does not help. */
function connect() {
  const events = new EventSource(`/events?token=${encodeURIComponent(token)}`);
  events.addEventListener("open", onFound);
  events.addEventListener("scene", (event) => {
    onFound();
    onScene(JSON.parse(event.data));
  });
  events.addEventListener("error", () => {
    events.close();
    lostTimer ??= setTimeout(() => tell(LOST), PATIENCE_MS);
    setTimeout(connect, TRY_AGAIN_MS);
  });
}

function onFound() {
  clearTimeout(lostTimer);
  lostTimer = null;
  tell("");
}

watchTabs();
connect();
requestAnimationFrame(onFrame);
