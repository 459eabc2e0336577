// Tabs of the side: the pattern of the WAI-ARIA Authoring Practices (arrows move, one tab stop).

import { byId } from "./dom.js";

export function watchTabs() {
  const tabs = [...document.querySelectorAll("[role=tab]")];
  const choose = (tab) => {
    for (const one of tabs) {
      const chosen = one === tab;
      one.setAttribute("aria-selected", String(chosen));
      one.tabIndex = chosen ? 0 : -1;
      byId(one.getAttribute("aria-controls")).hidden = !chosen;
    }
  };
  for (const [n, tab] of tabs.entries()) {
    tab.addEventListener("click", () => choose(tab));
    tab.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (!step) return;
      const next = tabs[(n + step + tabs.length) % tabs.length];
      next.focus();
      choose(next);
    });
  }
}
