"use strict";
// Looking closer: one channel of a group at a time, with its values under the pointer; drag to zoom, double-click for all.
(() => {
  const told = JSON.parse(document.getElementById("closer").textContent);
  const times = Array.from({ length: told.parts }, (_, part) => ((part + 0.5) * told.ended_s) / told.parts);
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const steps = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400, 172800, 604800];
  const shown = new Map();

  function numbers(channel) {
    const bytes = Uint8Array.from(atob(channel.data), (letter) => letter.charCodeAt(0));
    const floats = Array.from(new Float32Array(bytes.buffer), (value) => (Number.isNaN(value) ? null : value));
    return [0, 1, 2].map((part) => floats.slice(part * told.parts, (part + 1) * told.parts));
  }

  function clock(seconds) {
    const two = (value) => String(Math.floor(value)).padStart(2, "0");
    return `${Math.floor(seconds / 3600)}:${two((seconds / 60) % 60)}:${two(seconds % 60)}`;
  }

  function draw(place, channel) {
    shown.get(place)?.chart.destroy();
    const value = (_, raw) => (raw === null || raw === undefined ? "–" : `${Number(raw.toPrecision(6))} ${channel.unit}`);
    const line = (label, width) => ({ label, width, value, stroke: colour("--mean"), points: { show: false } });
    const axis = { stroke: colour("--ink"), grid: { stroke: colour("--rule"), width: 1 }, ticks: { stroke: colour("--rule") } };
    const chart = new uPlot({
      width: Math.max(260, place.clientWidth),
      height: 260,
      scales: { x: { time: false } },
      axes: [{ ...axis, incrs: steps, values: (_, splits) => splits.map(clock) }, { ...axis, size: 70 }],
      series: [{ label: "after", value: (_, raw) => (raw === null || raw === undefined ? "–" : clock(raw)) }, line("lowest", 0.5), line("mean", 1.6), line("highest", 0.5)],
      bands: [{ series: [3, 1], fill: colour("--spread") }],
    }, [times, ...numbers(channel)], place);
    shown.set(place, { chart, channel });
  }

  for (const section of document.querySelectorAll("section.group")) {
    const channels = told.groups[Number(section.dataset.group)];
    if (!channels.length) continue;
    const name = section.querySelector("h3").textContent;
    const button = Object.assign(document.createElement("button"), { type: "button", textContent: "Look closer" });
    button.setAttribute("aria-label", `Look closer: ${name}`);
    button.setAttribute("aria-expanded", "false");
    const closer = Object.assign(document.createElement("div"), { className: "closer", hidden: true });
    const choice = document.createElement("select");
    choice.setAttribute("aria-label", `Channel: ${name}`);
    channels.forEach((channel, number) => choice.add(new Option(channel.name, String(number))));
    const place = document.createElement("div");
    closer.append(choice, place);
    section.querySelector("h3").after(button, closer);
    choice.addEventListener("change", () => draw(place, channels[Number(choice.value)]));
    button.addEventListener("click", () => {
      closer.hidden = !closer.hidden;
      button.setAttribute("aria-expanded", String(!closer.hidden));
      if (!closer.hidden) draw(place, channels[Number(choice.value)]);
    });
  }
  addEventListener("beforeprint", () => document.querySelectorAll("details.more").forEach((more) => (more.open = true)));
  const again = () => shown.forEach(({ channel }, place) => place.clientWidth && draw(place, channel));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", again);
  addEventListener("resize", again);
})();
