"use strict";
// The first start: opens the step that is asked for, looks at the bench, checks what is typed, and follows a drill.
(() => {
  const by = (id) => document.getElementById(id);
  const KEPT = "soakd-sheet";
  let leaving = false;

  function open() {
    const details = location.hash.length > 1 ? by(location.hash.slice(1))?.querySelector("details[data-step]") : null;
    if (!details) return;
    details.open = true;
    details.parentElement.scrollIntoView();
  }

  function on(id, kind, act) {
    by(id)?.addEventListener(kind, (event) => {
      event.preventDefault();
      act(event);
    });
  }

  // The page anew, at the step that comes next or at the one that is named.
  function again(hash) {
    leaving = true;
    history.replaceState(null, "", hash ? `/start#${hash}` : "/start");
    location.reload();
  }

  function lines(place, entries) {
    const list = document.createElement("ul");
    for (const [kind, text] of entries) list.append(Object.assign(document.createElement("li"), { className: kind, textContent: text }));
    place.replaceChildren(...(entries.length ? [list] : []));
  }

  async function asked(path, options, place) {
    const answer = await fetch(path, options).catch(() => null);
    const told = await answer?.json().catch(() => null);
    if (answer?.ok && told && !told.trouble) return told;
    if (!leaving && answer?.status !== 429) lines(place, [["refused", [told?.trouble || told?.detail || "The bench does not answer.", told?.hint].filter(Boolean).join(" · ")]]);
    return null;
  }

  // What is refused is told where it was asked.
  const ask = (path, body, place) => asked(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) }, by(place));

  // The look at the bench.
  function roles() {
    const place = by("roles");
    if (!place) return;
    const chosen = [...document.querySelectorAll("select[data-channel]")].filter((each) => "given" in each.dataset || each.selectedIndex > 0);
    place.textContent = chosen.length ? ["[roles]", ...chosen.map((each) => `${each.dataset.channel} = "${each.value}"`)].join("\n") : place.dataset.none;
  }

  async function look(path, part) {
    const told = await asked(path, {}, by(`bench-${part}`));
    if (!told) return;
    for (const [name, html] of Object.entries(told.parts)) by(`bench-${name}`).innerHTML = html;
    const text = by("sheet-text");
    if (text && (!text.value || text.value === text.dataset.bench)) text.value = told.sheet;
    if (text) text.dataset.bench = told.sheet;
    roles();
    checkSheet();
  }

  document.addEventListener("click", async (event) => {
    const button = event.target.closest("button[data-look]");
    if (!button) return;
    button.disabled = true;
    const part = button.closest("details[data-step]").dataset.step;
    await look("/start/bench?again=1", part);
    by(`bench-${part}`).querySelector("[data-look]")?.focus();
  });
  document.addEventListener("change", (event) => event.target.matches("select[data-channel]") && roles());

  // Steps that are done, skipped or opened again.
  document.addEventListener("soakd:done", ({ detail }) => {
    if ("next" in detail.button.dataset) again(detail.done.here);
    if (detail.button.id === "begin-drill") follow();
  });

  // The drill.
  async function follow() {
    const place = by("drills");
    for (let told = { on: true }; told.on; ) {
      const news = await asked("/start/drill", {}, place);
      if (news) {
        told = news;
        const left = place.querySelector(".scroller")?.scrollLeft || 0;
        place.innerHTML = told.html;
        const scroller = place.querySelector(".scroller");
        if (scroller) scroller.scrollLeft = left;
        if (by("begin-drill")) by("begin-drill").disabled = told.on;
      }
      await new Promise((done) => setTimeout(done, 1000));
    }
    again("drill");
  }

  // The sheet. What stands in the form outlives the page.
  function kept(change) {
    try {
      if (change !== undefined) change === null ? localStorage.removeItem(KEPT) : localStorage.setItem(KEPT, change);
      return localStorage.getItem(KEPT);
    } catch {
      return null; // a browser that keeps nothing
    }
  }

  let number = 0;
  async function checkSheet() {
    const text = by("sheet-text");
    if (!text?.value) return;
    const mine = ++number;
    const told = await ask("/start/sheet/check", { text: text.value }, "sheet-found");
    if (!told || mine !== number) return;
    const found = told.findings.map((each) => [each.weight, `${each.weight}, ${each.place}: ${each.text}`]);
    lines(by("sheet-found"), found.length ? found : [["", `“${told.name}”: nothing in it contradicts itself or this bench. Whether a value is safe is not judged here.`]]);
  }

  let timer = 0;
  by("sheet-text")?.addEventListener("input", ({ target }) => {
    kept(target.value);
    clearTimeout(timer);
    timer = setTimeout(checkSheet, 500);
  });
  on("sheet-anew", "click", () => {
    const text = by("sheet-text");
    if (!confirm("Leave out what stands here, and begin again with what the bench shows?")) return;
    kept(null);
    text.value = text.dataset.bench;
    checkSheet();
  });
  on("write-sheet", "submit", async () => {
    if (!(await ask("/start/sheet", { text: by("sheet-text").value, name: by("sheet-name").value.trim() }, "sheet-found"))) return;
    kept(null);
    again("plan");
  });
  on("choose-sheet", "submit", async () => {
    const key = by("which-sheet").value;
    if (key && (await ask("/start/check", { sheet: key }, "sheet-found"))) again("plan");
  });

  // The plan.
  on("draft-plan", "submit", async () => {
    const button = by("draft-plan").querySelector("button");
    button.disabled = true;
    lines(by("draft-found"), [["", "Drafting; it takes a second or two."]]);
    const sheet = by("with-sheet").value || by("which-sheet").value;
    const told = await ask("/start/plan/draft", { sheet, hours: by("hours").value }, "draft-found");
    button.disabled = false;
    if (!told) return;
    lines(by("draft-found"), []);
    by("write-plan").hidden = false;
    by("plan-text").value = told.text;
    by("plan-text").setSelectionRange(0, 0);
    by("plan-name").value = told.name;
    lines(by("plan-about"), [...(told.refused ? [["refused", `As this bench is now, it would not start this plan: ${told.refused}`]] : []), ...told.about.map((each) => ["", each])]);
    by("plan-text").focus();
  });
  on("write-plan", "submit", async () => {
    if (await ask("/start/plan", { text: by("plan-text").value, name: by("plan-name").value.trim() }, "keep-found")) again("plan");
  });

  const choice = () => ({ plan: by("which-plan").value, sheet: by("with-sheet").value || null });
  async function checkPlan() {
    if (!by("plan-found")) return;
    const told = await ask("/start/check", choice(), "plan-found");
    if (told) lines(by("plan-found"), told.cautions.length ? told.cautions.map((each) => ["warned", each]) : [["", "The bench would start this."]]);
  }
  for (const id of ["which-plan", "with-sheet"]) by(id)?.addEventListener("change", checkPlan);
  on("queue-plan", "submit", async () => {
    if (await ask("/start/queue", choice(), "plan-found")) location.assign("/");
  });

  const text = by("sheet-text");
  if (text) text.value = kept() || text.value;
  addEventListener("hashchange", open);
  open();
  roles();
  if (by("bench-sensors").querySelector("[data-look]")) checkSheet();
  else look("/start/bench", document.querySelector("details[data-step][open]")?.dataset.step in { limits: 1, doctor: 1 } ? document.querySelector("details[data-step][open]").dataset.step : "sensors");
  if (by("drills").dataset.on === "yes") follow();
  const plan = document.querySelector("details[data-step=plan]");
  if (plan.open) checkPlan();
  plan.addEventListener("toggle", () => plan.open && checkPlan());
})();
