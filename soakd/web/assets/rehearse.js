"use strict";
// Begins a rehearsal, and says how far one is.
(() => {
  const form = document.getElementById("rehearse");
  form?.addEventListener("submit", async (event) => {
    event.preventDefault();
    const seed = form.seed.value.trim();
    if (!/^[0-9]{1,15}$/.test(seed)) {
      window.soakd.say(`“${seed}” is no seed.`, "A whole number, such as 1.");
      form.seed.focus();
      return;
    }
    const body = { plan: form.plan.value, sheet: form.sheet.value || null, bench: form.bench.value, seed: Number(seed) };
    const button = form.querySelector("button");
    button.disabled = true;
    const begun = await window.soakd.post("/api/v1/rehearsals", body);
    button.disabled = false;
    if (begun) location.assign(`/rehearse/${begun.rehearsal_id}`);
  });

  const progress = document.getElementById("progress");
  if (!progress) return;
  const again = setInterval(async () => {
    const answer = await fetch(`/api/v1/rehearsals/${progress.dataset.watch}`).catch(() => null);
    if (!answer) return;
    const told = answer.ok ? await answer.json() : { state: "gone" };
    if (told.state !== "on") {
      clearInterval(again);
      location.reload();
      return;
    }
    progress.querySelector("progress").value = told.share;
    progress.querySelector("[role=status]").textContent = told.text;
  }, 1000);
  document.addEventListener("soakd:done", () => location.reload());
})();
