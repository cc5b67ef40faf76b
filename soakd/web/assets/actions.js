"use strict";
// Buttons that ask the daemon for something: data-post is where, data-body what, data-ask a question to be confirmed first.
(() => {
  const said = document.getElementById("said");

  function say(text, hint) {
    said.replaceChildren(...[text, hint].filter(Boolean).map((line) => Object.assign(document.createElement("p"), { textContent: line })));
    said.hidden = !text;
    if (text) said.scrollIntoView({ block: "nearest" });
  }

  async function post(path, body) {
    let answer;
    try {
      answer = await fetch(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    } catch {
      say("The bench does not answer.", "Look whether it did what was asked before asking again.");
      return null;
    }
    if (answer.status === 401) location.assign(`/sign-in?next=${encodeURIComponent(location.pathname)}`);
    const told = await answer.json().catch(() => ({}));
    if (!answer.ok) {
      say(told.detail || `The bench refused (${answer.status}).`, told.hint);
      return null;
    }
    say("");
    return told;
  }

  document.addEventListener("click", async (event) => {
    const button = event.target.closest("button[data-post]");
    if (!button || (button.dataset.ask && !confirm(button.dataset.ask))) return;
    button.disabled = true;
    const done = await post(button.dataset.post, JSON.parse(button.dataset.body || "{}"));
    button.disabled = false;
    if (done) document.dispatchEvent(new CustomEvent("soakd:done", { detail: { button, done } }));
  });

  window.soakd = { post, say };
})();
