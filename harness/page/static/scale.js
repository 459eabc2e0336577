// Time to pixels, ticks that people read, and the colours that hold now.

function listTicks(fromS, untilS, most) {
  const rough = (untilS - fromS) / Math.max(most, 1);
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((f) => f * power).find((s) => s >= rough);
  const digits = Math.max(0, -Math.floor(Math.log10(step) + 1e-9));
  const ticks = [];
  for (let n = Math.ceil(fromS / step); n * step <= untilS; n++) ticks.push([n * step, (n * step).toFixed(digits)]);
  return ticks;
}

function readColours() {
  const style = getComputedStyle(document.documentElement);
  const names = ["paper", "ink", "muted", "line", "panel", "accent", "good", "bad", "open", "na"];
  return Object.fromEntries(names.map((name) => [name, style.getPropertyValue(`--${name}`).trim()]));
}

const COLOUR_OF = { PASS: "good", FAIL: "bad", INCONCLUSIVE: "open", NOT_APPLICABLE: "na" };
const FONT = '12px system-ui, -apple-system, "Segoe UI", "Noto Sans", "Liberation Sans", sans-serif';

function tellLength(seconds) {
  if (seconds < 1) return `${(seconds * 1000).toFixed(seconds < 0.01 ? 2 : 0)} ms`;
  return `${seconds.toFixed(seconds < 10 ? 2 : 1)} s`;
}
