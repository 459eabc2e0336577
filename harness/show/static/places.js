// Where everything lies on the chart: one table for a wide sheet, one for a narrow one. Units: of the sheet's viewBox.
// A node lies where its role lies; of several with one role, in the order of the scene.
// Not here: what is drawn, or when.

/** Where ways end at a drawing, from where it stands. */
const PORTS = {
  branch: [0, -30], carrier: [0, -100], internet: [0, 0], management: [0, -76], hq: [0, -28], client: [0, -18],
};
/** Where the radio ends: the antenna's tip. */
const RADIO_PORT = [30, -106];

const WIDE = {
  box: [900, 420],
  type: 17,
  land: [
    "M28,350 C22,292 66,268 122,268 C150,224 232,212 300,232 C356,246 388,292 382,340 C376,392 "
      + "306,410 208,408 C112,410 36,398 28,350 Z",
    "M286,138 C288,122 310,118 336,120 C364,116 392,124 390,139 C386,154 300,156 286,138 Z",
    "M724,142 C724,124 750,118 782,121 C822,116 852,126 850,142 C846,158 734,160 724,142 Z",
    "M600,344 C592,300 640,262 706,268 C764,240 850,254 872,306 C890,362 838,402 742,402 C664,404 "
      + "604,390 600,344 Z",
  ],
  piers: ["M372,336 H432", "M610,346 H556"],
  roles: {
    branch: [[262, 300]],
    carrier: [[336, 132]],
    internet: [[556, 96]],
    management: [[786, 134]],
    hq: [[690, 334], [808, 350], [760, 380]],
    client: [[82, 366], [160, 376], [240, 380], [320, 372], [40, 350]],
  },
  labels: {
    branch: [-54, -12, "end"], carrier: [0, 24], internet: [0, 68], management: [4, 26], hq: [0, 20], client: [0, 19],
  },
  tunnel: "M284,298 C316,300 336,336 388,336 C440,336 446,372 500,372 "
    + "C552,372 552,346 604,346 C640,346 650,312 690,306",
  tunnelWord: [500, 399],
  session: "M284,268 C430,200 640,226 784,60",
  sessionWord: [560, 236],
  worded: new Set(["radio", "fixed", "management", "tunnel"]),
  bow: { radio: -26, bearer: 26, fixed: 40 },
  nudge: { radio: [-34, 0], fixed: [0, -10] },
  plate: [494, 300],
};

const TALL = {
  box: [400, 560],
  type: 15,
  land: [
    "M8,500 C4,436 34,396 92,398 C130,386 176,388 206,404 C262,392 340,420 376,452 C404,500 384,546 "
      + "300,544 C196,552 96,552 60,544 C26,540 12,526 8,500 Z",
    "M28,150 C30,134 52,130 76,132 C104,128 122,136 120,150 C116,166 38,168 28,150 Z",
    "M262,162 C262,144 288,138 316,141 C352,137 378,146 378,162 C374,178 272,180 262,162 Z",
    "M196,304 C192,268 240,252 290,256 C340,244 388,262 392,300 C396,338 356,350 300,346 C244,350 "
      + "200,336 196,304 Z",
  ],
  piers: ["M64,408 V370", "M206,310 H178"],
  roles: {
    branch: [[150, 464]],
    carrier: [[68, 142]],
    internet: [[190, 72]],
    management: [[306, 154]],
    hq: [[270, 314], [350, 328], [310, 336]],
    client: [[44, 520], [138, 524], [230, 522], [320, 516], [380, 450]],
  },
  labels: {
    branch: [44, -46, "start"], carrier: [0, 24], internet: [0, 64], management: [8, 26], hq: [0, 19], client: [0, 17],
  },
  tunnel: "M126,462 C90,462 66,444 64,408 V378 C64,336 110,310 160,310 H206 C236,310 246,300 268,288",
  tunnelWord: [284, 374],
  session: "M172,432 C140,250 190,220 304,82",
  sessionWord: [0, 0],
  worded: new Set(["tunnel"]),
  bow: { radio: -18, bearer: 18, fixed: 26 },
  nudge: {},
  plate: [284, 394],
};

export const pickSheet = (narrow) => (narrow ? TALL : WIDE);

/** Return where each node of a scene stands: name -> {x, y, role, port: [x, y]}. */
export function placeNodes(sheet, nodes) {
  const taken = new Map();
  const places = new Map();
  for (const node of nodes) {
    const free = sheet.roles[node.role] ?? sheet.roles.internet;
    const number = taken.get(node.role) ?? 0;
    taken.set(node.role, number + 1);
    const [x, y] = free[Math.min(number, free.length - 1)];
    const [dx, dy] = PORTS[node.role] ?? [0, 0];
    places.set(node.name, { x, y, role: node.role, port: [x + dx, y + dy] });
  }
  return places;
}

/** Return a link's way over the sheet as path data, and where its word stands; null where an end is nowhere. */
export function routeLink(sheet, places, link) {
  const [from, to] = link.ends.map((name) => places.get(name));
  if (!from || !to) return null;
  const roles = new Set([from.role, to.role]);
  const joins = (a, b) => roles.has(a) && roles.has(b);
  if (joins("branch", "hq")) return { d: sheet.tunnel, from: "branch", word: sheet.tunnelWord };
  if (joins("branch", "management")) return { d: sheet.session, from: "branch", word: sheet.sessionWord };
  const end = (p) => (joins("branch", "carrier") && p.role === "branch"
    ? [p.x + RADIO_PORT[0], p.y + RADIO_PORT[1]] : p.port);
  const [[ax, ay], [bx, by]] = [end(from), end(to)];
  const length = Math.hypot(bx - ax, by - ay) || 1;
  const turn = (sheet.bow[link.name] ?? 10) * (ax < bx ? 1 : -1);
  const [mx, my] = [(ax + bx) / 2 - ((by - ay) / length) * turn, (ay + by) / 2 + ((bx - ax) / length) * turn];
  const [nx, ny] = sheet.nudge[link.name] ?? [0, 0];
  const word = [(ax + bx + 2 * mx) / 4 + nx, (ay + by + 2 * my) / 4 + ny];
  return { d: `M${ax},${ay} Q${mx},${my} ${bx},${by}`, from: from.role, word };
}
