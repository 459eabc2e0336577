// The page: tabs, keys, and a run's parts made when it is first looked at.

const roots = [...document.querySelectorAll(".run")];
const loaded = new Map();

function load(index) {
  if (!loaded.has(index)) loaded.set(index, build(index));
  return loaded.get(index);
}

async function build(index) {
  const run = new Run(index, await unpack(`columns-${index}`)), root = roots[index];
  const section = root.querySelector("[data-chart]").closest("section");
  run.waterfall = new Waterfall(run, section);
  run.list = new EventList(run, section);
  run.moment = new Moment(run, root.querySelector("[data-topology]"));
  run.plots = new Plots(run, root.querySelector("[data-plots]"));
  root.dataset.ready = "true";
  return run;
}

// ---------------------------------------------------------------- tabs

const bar = document.querySelector("[data-tabs]");
const tabs = bar ? [...bar.querySelectorAll("a")] : [];

function choose(index, isFocused) {
  roots.forEach((root, i) => { root.hidden = i !== index; });
  tabs.forEach((tab, i) => {
    tab.setAttribute("aria-selected", String(i === index));
    tab.tabIndex = i === index ? 0 : -1;
  });
  if (isFocused) tabs[index]?.focus();
  return load(index);
}

if (bar) {
  bar.setAttribute("role", "tablist");
  tabs.forEach((tab, i) => {
    tab.setAttribute("role", "tab");
    tab.setAttribute("aria-controls", roots[i].id);
    roots[i].setAttribute("role", "tabpanel");
    roots[i].setAttribute("aria-labelledby", tab.id);
    tab.addEventListener("click", (e) => { e.preventDefault(); choose(i, true); });
  });
  bar.addEventListener("keydown", (e) => {
    const now = tabs.indexOf(document.activeElement), last = tabs.length - 1;
    const to = { ArrowRight: now === last ? 0 : now + 1, ArrowLeft: now ? now - 1 : last, Home: 0, End: last }[e.key];
    if (to === undefined) return;
    e.preventDefault();
    choose(to, true);
  });
}

function findRun(hash) {
  const found = /^#r(\d+)/.exec(hash);
  return found && Number(found[1]) < roots.length ? Number(found[1]) : 0;
}

// ---------------------------------------------------------------- keys and links to evidence

document.addEventListener("click", async (e) => {
  const button = e.target.closest(".ob");
  if (!button) return;
  const run = await load(Number(button.dataset.run)), number = Number(button.dataset.number);
  const event = run.eventOf(number);
  if (event >= 0) run.choose(event);
  await openEvidence(run, event, number, button);
});

document.addEventListener("keydown", (e) => {
  if (e.key === "Escape") closeEvidence();
  const isTyping = e.target.closest("input, select, textarea");
  if (e.key !== "/" || isTyping || e.ctrlKey || e.metaKey || e.altKey) return;
  const find = roots.find((root) => !root.hidden)?.querySelector("[data-find]");
  if (!find) return;
  e.preventDefault();
  find.focus();
  find.scrollIntoView({ block: "center" });
});

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", async () => {
  for (const run of await Promise.all(loaded.values())) { run.waterfall.demand(); run.plots.build(); }
});

// Paper cannot be opened: what is folded is unfolded for it, and folded again.
let folded = [];
addEventListener("beforeprint", () => {
  folded = [...document.querySelectorAll("main details:not([open])")];
  for (const one of folded) one.open = true;
});
addEventListener("afterprint", () => { for (const one of folded) one.open = false; });

document.body.classList.add("ready");
choose(findRun(location.hash), false).then(() => {
  document.getElementById(location.hash.slice(1))?.scrollIntoView();
  performance.mark("branchproof-ready");
}).catch((error) => { // a browser that is too old: the page is then as without scripts
  document.body.classList.remove("ready");
  throw error;
});
