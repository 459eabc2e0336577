// Messages on their way: small boats over the sea, dots within the branch, and the caption that tells the newest.
// Laws: a message travels once; at most TOGETHER at a time (the rest are in the list); with reduced motion nothing
// travels, ways only light up.

import { byId, isStill, plain, put, svg } from "./dom.js";
import { kindWord } from "./words.js";

const TOGETHER = 8;
const CROSSING_MS = 1100;
const CAPTION_MS = 380;

export class Voyages {
  constructor(chart) {
    this.chart = chart;
    this.afloat = new Set();
    this.captionAt = 0;
    this.frame = (now) => this.move(now);
  }

  /** Set out the messages that are new in a scene, oldest first. */
  setOut(messages, names) {
    for (const message of messages) this.launch(message);
    const newest = messages.at(-1);
    const now = performance.now();
    if (newest && now - this.captionAt > CAPTION_MS) {
      this.captionAt = now;
      this.tell(newest, names);
    }
  }

  tell(message, names) {
    const who = message.source === message.target ? names(message.source)
      : `${names(message.source)} → ${names(message.target)}`;
    put(byId("caption"), `${who}   ${kindWord(message.kind)}   ${message.text}`);
  }

  /** Before the first message: what to do. */
  invite(phase) {
    if (phase === "waiting") put(byId("caption"), "Press Start, or the space bar.");
  }

  clear() {
    for (const boat of this.afloat) boat.node.remove();
    this.afloat.clear();
    put(byId("caption"), "");
  }

  launch(message) {
    if (this.afloat.size >= TOGETHER || document.hidden) return;
    const ways = this.chart.findWays(message.source, message.target);
    if (isStill() || !ways.length) {
      this.light(message, ways);
      return;
    }
    const overSea = !ways.some(([line]) => line.classList.contains("way-lan"));
    const node = overSea ? svg("use", { href: "#art-boat", class: "boat" }) : svg("circle", { class: "dot", r: 5 });
    const legs = ways.map(([line, backwards]) => ({ line, backwards, length: line.getTotalLength() }));
    const whole = legs.reduce((sum, leg) => sum + leg.length, 0);
    node.dataset.kind = plain(message.kind).toLowerCase();
    this.chart.boats.append(node);
    if (!this.afloat.size) requestAnimationFrame(this.frame);
    this.afloat.add({ node, legs, whole, since: performance.now() });
  }

  light(message, ways) {
    const nodes = [message.source, message.target].map((name) => this.chart.nodes.get(name)?.group);
    for (const part of [...nodes, ...ways.map(([line]) => line)]) {
      if (!part) continue;
      part.classList.add("lit");
      setTimeout(() => part.classList.remove("lit"), 500);
    }
  }

  move(now) {
    for (const boat of this.afloat) {
      const share = (now - boat.since) / CROSSING_MS;
      if (share >= 1) {
        boat.node.remove();
        this.afloat.delete(boat);
      } else {
        const { x, y } = findPoint(boat, Math.max(0, share));
        boat.node.setAttribute("transform", `translate(${x.toFixed(1)} ${y.toFixed(1)})`);
      }
    }
    if (this.afloat.size) requestAnimationFrame(this.frame);
  }
}

function findPoint(boat, share) {
  let gone = share * boat.whole;
  for (const leg of boat.legs) {
    if (gone <= leg.length) return leg.line.getPointAtLength(leg.backwards ? leg.length - gone : gone);
    gone -= leg.length;
  }
  const last = boat.legs.at(-1);
  return last.line.getPointAtLength(last.backwards ? 0 : last.length);
}
