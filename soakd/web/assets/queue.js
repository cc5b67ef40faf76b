"use strict";
// The list renews itself while it is looked at; the form is checked by the daemon while it is filled in.
(() => {
  const place = document.getElementById("part-queue");
  const form = document.getElementById("add");
  const EVERY_MS = 5000;
  const QUIET_MS = 400;
  let shown = "";

  async function renew() {
    let text;
    try {
      const answer = await fetch("/queue/list");
      if (!answer.ok) return;
      text = await answer.text();
    } catch {
      return;
    }
    if (text === shown) return;
    shown = text;
    const focused = place.contains(document.activeElement) ? document.activeElement : null;
    const entry = focused?.closest(".entry");
    const at = entry ? [...place.querySelectorAll(".entry")].indexOf(entry) : -1;
    const open = new Set([...place.querySelectorAll("details[open][data-keep]")].map((each) => each.dataset.keep));
    const inTable = focused?.matches(".scroller, summary") ? [...place.querySelectorAll(".scroller, summary")].indexOf(focused) : -1;
    place.innerHTML = text;
    for (const each of place.querySelectorAll("details[data-keep]")) each.open = open.has(each.dataset.keep);
    if (!focused) return;
    const again = (focused.id && document.getElementById(focused.id)) || (inTable >= 0 && place.querySelectorAll(".scroller, summary")[inTable]);
    const near = again || place.querySelectorAll(".entry")[at]?.querySelector("button, a") || place.querySelector(".entry button, .entry a");
    near?.focus({ preventScroll: true });
  }

  setInterval(() => document.visibilityState === "visible" && renew(), EVERY_MS);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && renew());
  document.addEventListener("soakd:done", renew);
  if (!form) return;

  const checked = document.getElementById("checked");
  const button = document.getElementById("add-now");
  let waiting = 0;
  let asking = null;

  function wish() {
    const fields = Object.fromEntries([...new FormData(form)].filter(([, value]) => typeof value === "string"));
    for (const name of ["after-any", "stop-series"]) fields[name] = name in fields;
    return fields;
  }

  function fit() {
    const fields = wish();
    for (const each of form.querySelectorAll("[data-only]")) {
      const [name, value] = each.dataset.only.split("=");
      each.hidden = fields[name] !== value;
    }
  }

  function tell(kind, word, lines) {
    checked.className = `checked ${kind}`;
    const head = Object.assign(document.createElement("span"), { className: "word", textContent: word });
    checked.replaceChildren(...lines.filter(Boolean).map((line, number) => {
      const part = document.createElement("p");
      if (number === 0 && word) part.append(head, " ");
      part.append(line);
      return part;
    }));
  }

  async function check() {
    asking?.abort();
    asking = new AbortController();
    let answer;
    try {
      answer = await fetch("/queue/check", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(wish()), signal: asking.signal });
    } catch (error) {
      if (error.name !== "AbortError") tell("", "", ["The bench does not answer; nothing could be checked."]);
      return;
    }
    const told = await answer.json().catch(() => ({}));
    if (answer.ok && told.refused) tell("no", "✗ It would be refused.", [told.refused, told.hint]);
    else if (answer.ok) tell("yes", "✓ It can be queued.", [...told.lines, ...told.cautions.map((text) => `Caution: ${text}`)]);
    else if (answer.status === 429) waiting = setTimeout(check, 2000);
    else tell("", "", [told.detail || `Nothing could be checked (${answer.status}).`, told.hint]);
  }

  function soon() {
    fit();
    clearTimeout(waiting);
    waiting = setTimeout(check, QUIET_MS);
  }

  form.addEventListener("input", soon);
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    clearTimeout(waiting);
    button.disabled = true;
    const done = await window.soakd.post("/queue/add", wish());
    button.disabled = false;
    if (!done) return;
    tell("yes", "✓ Queued.", [`${done.plan.name} is entry ${done.entry_id}.`]);
    renew();
  });
  fit();
  check();
})();
