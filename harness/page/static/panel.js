// The side panel: what an event or an observation rests on. All that is of a run is set as text.

const AROUND = 4;
const panel = {
  root: document.getElementById("evidence"),
  title: document.getElementById("evidence-title"),
  body: document.getElementById("evidence-body"),
  opener: null,
};

function make(name, text = "", className = "") {
  const element = document.createElement(name);
  if (text !== "") element.textContent = text;
  if (className) element.className = className;
  return element;
}

const NAMES_OF_KINDS = new Map(Object.entries({
  at: "AT line", radio: "Radio signalling", restconf: "HTTP exchange", dhcp: "DHCP", dns: "DNS", ike: "IKE",
  echo: "Echo", syslog: "Syslog message", probe: "Probe", event: "Event", log: "Log line", stage: "Boundary of a stage",
}));

async function openEvidence(run, event, number, opener) {
  const events = run.events;
  panel.opener = opener;
  panel.asked = null;
  panel.body.replaceChildren();
  const kind = NAMES_OF_KINDS.get(events.kind.get(event)) ?? "Event";
  panel.title.textContent = number >= 0 ? `Observation ${number}` : kind;
  panel.root.hidden = false;
  if (event >= 0) panel.body.append(...tellEvent(run, event));
  panel.root.focus();
  if (number < 0) return;
  const asked = (panel.asked = {});
  const text = (await run.readObservations())[number];
  if (panel.asked !== asked) return; // another one was opened meanwhile
  panel.body.append(make("h3", "The observation as it is on the tape"));
  panel.body.append(make("pre", text ?? "This run has no observation of that number."));
}

function tellEvent(run, event) {
  const events = run.events;
  const facts = make("dl");
  const rows = [
    ["What", NAMES_OF_KINDS.get(events.kind.get(event)) ?? events.kind.get(event)],
    ["When", `${events.at[event].toFixed(6)} s from power-on`],
    ["Node", events.node.get(event)],
    ["During", events.stage.get(event)],
    ["Decided", events.decides.get(event)],
    ["Look in", events.pointer[event]],
  ];
  for (const [name, value] of rows) if (value) facts.append(make("dt", name), make("dd", value));
  const told = make("p", events.text[event], "told");
  return [told, facts, ...tellAround(run, event)];
}

// What the same node showed of the same kind before and after: a dialogue is read in its turns.
function tellAround(run, event) {
  const { kind, node, count } = run.events;
  const same = (i) => kind.places[i] === kind.places[event] && node.places[i] === node.places[event];
  const near = [event];
  for (let i = event - 1; i >= 0 && near.length <= AROUND; i--) if (same(i)) near.unshift(i);
  const before = near.length;
  for (let i = event + 1; i < count && near.length < before + AROUND; i++) if (same(i)) near.push(i);
  if (near.length === 1) return [];
  const list = make("ul", "", "near");
  for (const i of near) {
    const line = make("li", `${run.events.at[i].toFixed(3)}  ${run.events.text[i]}`, i === event ? "here" : "");
    if (i === event) line.setAttribute("aria-current", "true");
    list.append(line);
  }
  return [make("h3", "Around it"), list];
}

function closeEvidence() {
  if (panel.root.hidden) return;
  panel.root.hidden = true;
  panel.opener?.focus();
}

document.getElementById("evidence-close").addEventListener("click", closeEvidence);
