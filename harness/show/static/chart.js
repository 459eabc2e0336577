// The picture: islands, who stands on them, and the ways between. Drawn once for a sheet and a cast, then only changed.
// Not here: what travels on the ways (voyage.js), where things lie (places.js).

import { byId, isStill, plain, put, set, svg } from "./dom.js";
import { pickSheet, placeNodes, routeLink } from "./places.js";

const ART = { branch: "kiosk", carrier: "mast", internet: "rose", management: "light", client: "till" };
const SCALE = { client: 1, hq: 0.95 };
/** Letters on a projector. */
const LEAST_PX = 16.1;
const narrow = matchMedia("(max-width: 640px)");

export class Chart {
  constructor() {
    this.root = byId("chart");
    this.cast = "";
    this.pinged = null;
    this.aspect = 0;
    new ResizeObserver(([entry]) => {
      this.aspect = entry.contentRect.width / entry.contentRect.height;
      if (this.scene) this.show(this.scene);
    }).observe(this.root);
  }

  /** Draw anew where the cast or the sheet is another, and bring everything to the scene's state. */
  show(scene) {
    this.scene = scene;
    const cast = JSON.stringify([narrow.matches, Math.round(this.aspect * 20),
      scene.nodes.map((n) => [n.name, n.role, n.title]), scene.links.map((l) => [l.name, l.ends])]);
    if (cast !== this.cast) {
      this.cast = cast;
      this.draw(scene);
    }
    for (const node of scene.nodes) this.showNode(node, scene);
    for (const link of listWays(scene)) this.showLink(link);
    this.showPing(scene.first_ping);
    put(byId("chart-words"), describe(scene));
  }

  draw(scene) {
    this.sheet = pickSheet(narrow.matches);
    this.places = placeNodes(this.sheet, scene.nodes);
    this.links = new Map();
    this.nodes = new Map();
    this.pinged = null;
    const box = stretch(this.sheet.box, this.aspect);
    this.root.setAttribute("viewBox", box.join(" "));
    this.under = svg("g", { class: "ways" });
    this.boats = svg("g", { class: "boats" });
    this.words = svg("g", { class: "words" });
    const stands = svg("g", { class: "stands" });
    this.root.replaceChildren(...drawSea(this.sheet, box), this.under, stands, this.words, this.boats);
    const unitsPerPx = box[2] / (this.root.clientWidth || box[2]);
    const least = narrow.matches ? 0 : LEAST_PX * unitsPerPx;
    this.root.style.setProperty("--type", `${Math.max(this.sheet.type, least).toFixed(2)}px`);
    for (const link of listWays(scene)) this.drawLink(link);
    for (const node of scene.nodes) stands.append(this.drawNode(node));
    this.ferry = svg("use", { href: "#art-ferry", class: "ferry" });
    this.under.append(this.ferry);
    this.ping = svg("path", { class: "ping", d: this.sheet.tunnel, pathLength: 1 });
    this.plate = svg("text", { class: "plate", x: this.sheet.plate[0], y: this.sheet.plate[1] });
    this.under.append(this.ping);
    this.words.append(this.plate);
  }

  drawLink(link) {
    const route = routeLink(this.sheet, this.places, link);
    if (!route) return;
    const line = svg("path", { d: route.d, class: `way way-${kindOf(link)}` });
    const bed = svg("path", { d: route.d, class: `bed bed-${kindOf(link)}` });
    const word = svg("text", { class: "way-word", x: route.word[0], y: route.word[1] });
    this.under.append(bed, line);
    this.words.append(word);
    const cut = svg("path", { class: "cut", d: "M-9,-9 L9,9 M9,-9 L-9,9" });
    const { x, y } = line.getPointAtLength(line.getTotalLength() / 2);
    cut.setAttribute("transform", `translate(${x} ${y})`);
    this.under.append(cut);
    line.append(svg("title"));
    this.links.set(link.name, { line, bed, word, cut, ends: link.ends, turned: !isFirst(route, this.places, link) });
  }

  drawNode(node) {
    const { x, y, role } = this.places.get(node.name);
    const [dx, dy, anchor] = this.sheet.labels[role] ?? [0, 20];
    const scale = SCALE[role] ?? 1;
    const label = svg("text", { x: dx, y: dy, class: "name", "text-anchor": anchor ?? "middle" });
    const group = svg("g", { class: `stand stand-${role}`, transform: `translate(${x} ${y})` },
      svg("use", { href: `#art-${findArt(node)}`, transform: `scale(${scale})` }), label, svg("title"));
    if (role === "branch") group.append(drawRouterLights());
    this.nodes.set(node.name, { group, label, title: group.querySelector("title") });
    return group;
  }

  showNode(node, scene) {
    const drawn = this.nodes.get(node.name);
    if (!drawn) return;
    set(drawn.group, "data-state", node.state);
    put(drawn.label, shorten(node.title, node.role));
    put(drawn.title, `${node.title}: ${node.state}${node.last ? ` (${node.last})` : ""}`);
    if (node.role !== "branch") return;
    for (const light of drawn.group.querySelectorAll(".led")) {
      set(light, "data-state", scene.lights[light.dataset.light] ?? "off");
    }
    set(drawn.group, "data-level", scene.signal ? scene.signal.level : 0);
  }

  showLink(link) {
    const drawn = this.links.get(link.name);
    if (!drawn) return;
    for (const part of [drawn.line, drawn.bed, drawn.cut, drawn.word]) set(part, "data-state", link.state);
    put(drawn.line.firstChild, `${link.title}: ${link.state}`);
    const worded = this.sheet.worded.has(kindOf(link)) && link.state !== "dark";
    put(drawn.word, worded ? `${link.title}${link.state === "down" ? ": down" : ""}` : "");
    if (kindOf(link) === "tunnel") this.sail(drawn, link.state);
  }

  /** The ferry lies at the pier until the tunnel is up; then it goes to and fro. */
  sail(drawn, state) {
    set(this.ping, "data-state", state);
    set(this.ferry, "data-state", state);
    const length = drawn.line.getTotalLength();
    const whole = performance.now() / 14000;
    const phase = 2 * Math.abs(whole - Math.floor(whole) - 0.5);
    const share = state !== "up" ? 0.36 : isStill() ? 0.5 : 0.3 + 0.42 * (0.5 - Math.cos(phase * Math.PI) / 2);
    const { x, y } = drawn.line.getPointAtLength(length * share);
    this.ferry.setAttribute("transform", `translate(${x.toFixed(1)} ${(y - 8).toFixed(1)})`);
  }

  /** The first answer from HQ: a line is drawn across, and stays. */
  showPing(ping) {
    const key = ping ? `${ping.at_s}` : null;
    if (key === this.pinged) return;
    this.pinged = key;
    this.ping.classList.toggle("drawn", ping !== null);
    const rtt = ping && ping.rtt_ms !== null ? `: ${Number(ping.rtt_ms).toFixed(1)} ms` : "";
    put(this.plate, ping ? `HQ answered${rtt}` : "");
    this.plate.classList.toggle("drawn", ping !== null);
  }

  /** Return the ways from one node to another as [path, backwards]; nothing where no links lead there. */
  findWays(source, target) {
    const came = new Map([[source, null]]);
    const queue = [source];
    while (queue.length && !came.has(target)) {
      const here = queue.shift();
      for (const [name, link] of this.links) {
        const at = link.ends.indexOf(here);
        if (at < 0 || name === "bearer") continue;
        const there = link.ends[1 - at];
        if (came.has(there)) continue;
        came.set(there, { here, line: link.line, backwards: (at === 1) !== link.turned });
        queue.push(there);
      }
    }
    const ways = [];
    for (let step = came.get(target); step; step = came.get(step.here)) ways.unshift([step.line, step.backwards]);
    return ways;
  }
}

/** Widen or heighten a sheet to the room that it has: there is always more sea. */
function stretch([width, height], aspect) {
  if (!(aspect > 0)) return [0, 0, width, height];
  const wide = Math.max(width, height * aspect);
  const high = Math.max(height, width / aspect);
  return [(width - wide) / 2, (height - high) / 2, wide, high];
}

/** The links of a scene, and the cables that are always there: between those on the internet, and within HQ. */
function listWays(scene) {
  const stands = new Map(scene.nodes.map((n) => [n.name, n]));
  const cables = [["internet", "carrier"], ["internet", "management"], ["internet", "hq-gateway"],
    ["hq-gateway", "hq-endpoint"]]
    .filter((ends) => ends.every((name) => stands.has(name)))
    .map((ends) => ({ name: `cable-${ends[1]}`, title: `cable to ${stands.get(ends[1]).title}`, ends,
      state: ends.every((name) => stands.get(name).state === "up") ? "up" : "dark" }));
  return [...cables, ...scene.links];
}

function drawSea(sheet, [left, top, width, height]) {
  const grid = [];
  for (let x = 100 * Math.ceil(left / 100); x < left + width; x += 100) grid.push(`M${x},${top + 8} v${height - 16}`);
  for (let y = 100 * Math.ceil(top / 100); y < top + height; y += 100) grid.push(`M${left + 8},${y} h${width - 16}`);
  const frame = (inset) => ({ x: left + inset, y: top + inset, width: width - 2 * inset, height: height - 2 * inset });
  const land = (name) => svg("g", { class: name }, ...sheet.land.map((d) => svg("path", { d })));
  return [
    svg("rect", { class: "sea", ...frame(0) }),
    svg("path", { class: "grid", d: grid.join(" ") }),
    land("deep"), land("shallow"), land("land"),
    svg("g", { class: "piers" }, ...sheet.piers.map((d) => svg("path", { d }))),
    svg("rect", { class: "neat", ...frame(1.5) }),
    svg("rect", { class: "neat ladder", ...frame(4) }),
    svg("rect", { class: "neat", ...frame(6.5) }),
  ];
}

function drawRouterLights() {
  const lights = ["power", "signal", "online", "tunnel"];
  return svg("g", { class: "box", transform: "translate(-38 -78)" },
    svg("rect", { width: 52, height: 15, rx: 3 }),
    ...lights.map((light, n) => svg("circle", {
      class: "led", "data-light": light, cx: 9 + n * 11.3, cy: 7.5, r: 3.6,
    })));
}

const kindOf = (link) => link.name.replace(/[^a-z].*$/u, "");
const isFirst = (route, places, link) => places.get(link.ends[0]).role === route.from;

function findArt(node) {
  if (node.role === "hq") return /gateway/u.test(node.name) ? "office" : "shed";
  if (node.role === "client" && /guest/iu.test(node.title)) return "phone";
  return ART[node.role] ?? "till";
}

/** Names stand close on the sheet; the whole title is in the drawing's own tooltip. */
function shorten(title, role) {
  const text = plain(role === "client" ? title.replace(/ client$/u, "") : title);
  const most = role === "client" ? 9 : 22;
  return text.length > most ? `${text.slice(0, most - 1)}…` : text;
}

function describe(scene) {
  const up = scene.links.filter((l) => l.state === "up").map((l) => l.title);
  const down = scene.links.filter((l) => l.state === "down").map((l) => l.title);
  const parts = [`Up: ${up.join(", ") || "nothing yet"}.`];
  if (down.length) parts.push(`Down: ${down.join(", ")}.`);
  if (scene.first_ping) parts.push("HQ has answered.");
  return parts.join(" ");
}
