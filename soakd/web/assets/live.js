"use strict";
// Keeps an open page alive: puts in the parts that have changed, and says how old they are when nothing comes.
(() => {
  const stale = document.getElementById("stale");
  const QUIET_S = 5;
  let heard = performance.now();
  let ages = { reading_age_s: null, daemon_age_s: null };
  let source = null;

  function put(name, html) {
    const place = document.getElementById(name === "beacon" ? "beacon" : `part-${name}`);
    if (!place || place.innerHTML === html) return;
    const open = new Set([...place.querySelectorAll("details[open][data-keep]")].map((each) => each.dataset.keep));
    const scrolled = [...place.querySelectorAll(".scroller")].map((each) => each.scrollLeft);
    const focused = place.contains(document.activeElement) ? [...place.querySelectorAll("a, button, summary, .scroller")].indexOf(document.activeElement) : -1;
    place.innerHTML = html;
    for (const each of place.querySelectorAll("details[data-keep]")) each.open = open.has(each.dataset.keep);
    place.querySelectorAll(".scroller").forEach((each, number) => (each.scrollLeft = scrolled[number] || 0));
    if (focused >= 0) place.querySelectorAll("a, button, summary, .scroller")[focused]?.focus({ preventScroll: true });
    document.dispatchEvent(new CustomEvent("soakd:part", { detail: name }));
  }

  function words(seconds) {
    return seconds < 120 ? `${Math.round(seconds)} s` : `${Math.round(seconds / 60)} min`;
  }

  function tell() {
    const silent = (performance.now() - heard) / 1000;
    const reading = ages.reading_age_s === null ? null : ages.reading_age_s + silent;
    let text = "";
    if (silent > QUIET_S) text = `No word from the bench for ${words(silent)}. What stands here is from then.`;
    else if (ages.daemon_age_s !== null && ages.daemon_age_s > QUIET_S) text = `The daemon has said nothing for ${words(ages.daemon_age_s + silent)}.`;
    else if (reading !== null && reading > QUIET_S) text = `Last reading ${words(reading)} ago.`;
    if (text && silent > QUIET_S && reading !== null) text += ` Last reading ${words(reading)} ago.`;
    if (stale.textContent !== text) stale.textContent = text;
    stale.hidden = !text;
  }

  function listen() {
    source = new EventSource("/live");
    source.addEventListener("parts", (event) => {
      const told = JSON.parse(event.data);
      heard = performance.now();
      ages = told;
      for (const [name, html] of Object.entries(told.parts)) put(name, html);
      tell();
    });
    source.addEventListener("error", () => {
      if (source.readyState === EventSource.CLOSED) setTimeout(listen, 2000);
    });
  }

  listen();
  setInterval(tell, 1000);
  addEventListener("pagehide", () => source?.close());
  addEventListener("pageshow", (event) => event.persisted && listen());
})();
