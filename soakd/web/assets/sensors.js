"use strict";
// Looks again every few seconds while somebody can see it, and shows only the channels that are searched for.
(() => {
  const EVERY_MS = 5000;
  const place = document.getElementById("sensors");
  const search = document.getElementById("of");
  const found = document.getElementById("found");

  function sift() {
    const wanted = search.value.trim().toLowerCase();
    let shown = 0;
    let known = 0;
    for (const role of place.querySelectorAll(".role")) {
      const ofRole = role.dataset.role.includes(wanted);
      let some = false;
      for (const channel of role.querySelectorAll(".channel")) {
        const keep = ofRole || channel.dataset.name.toLowerCase().includes(wanted);
        channel.hidden = !keep;
        some ||= keep;
        shown += keep;
        known += 1;
      }
      role.hidden = !some;
    }
    const none = `No channel has this in its name or role; clear the field to see all ${known}.`;
    found.textContent = wanted ? (shown ? `${shown} of ${known} channels` : none) : "";
  }

  async function look() {
    const selected = getSelection();
    if (document.hidden || (!selected.isCollapsed && place.contains(selected.anchorNode))) return;
    const answer = await fetch("/sensors/part").catch(() => null);
    if (!answer?.ok) return;
    const html = await answer.text();
    const open = new Set([...place.querySelectorAll("details[open]")].map((each) => each.dataset.keep));
    const focused = place.contains(document.activeElement) ? [...place.querySelectorAll("a, summary")].indexOf(document.activeElement) : -1;
    place.innerHTML = html;
    for (const each of place.querySelectorAll("details")) each.open = open.has(each.dataset.keep);
    sift();
    if (focused >= 0) place.querySelectorAll("a, summary")[focused]?.focus({ preventScroll: true });
  }

  search.form.addEventListener("submit", (event) => event.preventDefault());
  search.addEventListener("input", sift);
  if (search.value) look();
  setInterval(look, EVERY_MS);
  document.addEventListener("visibilitychange", look);
})();
