// The moment: one instant that the picture, the drawing of the branch and the strips share.

class Moment {
  constructor(run, section) {
    this.run = run;
    this.input = section.querySelector("[data-moment]");
    this.output = section.querySelector("[data-moment-out]");
    this.marked = [...section.querySelectorAll("[data-part]")];
    this.cursors = [...section.querySelectorAll("[data-cursor]")];
    this.input.addEventListener("input", () => run.setMoment(Number(this.input.value)));
    run.onChange((what) => { if (what === "moment") this.show(); });
    this.show();
  }

  show() {
    const { momentS, fromS, untilS, parts } = this.run, stage = this.run.stageAt(momentS);
    this.input.value = String(momentS);
    const words = `${momentS.toFixed(2)} s${stage ? `, during ${stage}` : ""}`;
    this.output.textContent = words;
    this.input.setAttribute("aria-valuetext", words);
    const x = ((momentS - fromS) / (untilS - fromS)) * 1000;
    for (const cursor of this.cursors) cursor.setAttribute("d", `M${x} 0v20`);
    for (const element of this.marked) {
      const state = findState(parts.get(element.dataset.part) ?? [], momentS);
      element.dataset.state = state;
      const word = element.querySelector("[data-word]");
      if (word) word.textContent = state;
    }
  }
}

function findState(spans, atS) {
  for (let i = spans.length - 1; i >= 0; i--) {
    const [sinceS, untilS, state] = spans[i];
    if (sinceS <= atS && (untilS === null || atS < untilS)) return state;
  }
  return "not seen";
}
