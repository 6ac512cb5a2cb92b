// What each CT shows, and which one steps. Without it the page has the figures of the circuits all the same.
"use strict";
(() => {
  const place = document.querySelector("[data-channels]");
  if (!place) return;
  const root = document.documentElement.dataset;
  const status = place.querySelector("[data-step]");
  const MARKED_MS = 4000;
  let before = {};

  function watts(w) {
    const size = Math.abs(w), decimals = size < 999.5 ? 0 : size < 99950 ? 2 : 0;
    const digits = (size < 999.5 ? size : size / 1000).toFixed(decimals);
    const [whole, part] = digits.split(".");
    const sign = w < 0 && /[1-9]/.test(digits) ? "\u2212" : "";
    const text = whole.replace(/\B(?=(\d{3})+$)/g, root.group) + (part ? root.decimal + part : "");
    return sign + text + "\u00a0" + (size < 999.5 ? "W" : "kW");
  }
  const known = (value) => typeof value === "number" && Number.isFinite(value);

  // More than noise: 25 W, and a twentieth of what it was or is.
  const steps = (was, is) => known(was) && known(is) && Math.abs(is - was) >= Math.max(25, Math.max(Math.abs(is), Math.abs(was)) / 20);

  function mark(element) {
    element.classList.add("stepped");
    clearTimeout(element.marked);
    element.marked = setTimeout(() => element.classList.remove("stepped"), MARKED_MS);
  }

  function show(body) {
    let largest = null;
    for (const element of place.querySelectorAll("[data-channel]")) {
      const name = element.dataset.channel, is = body.channels[name], was = before[name];
      const text = known(is) ? watts(is) : "silent";
      const data = element.querySelector("data");
      if (data.textContent !== text) data.textContent = text;
      element.classList.toggle("silent", !known(is));
      if (!steps(was, is)) continue;
      mark(element);
      const breaker = element.closest(".breaker");
      if (breaker) mark(breaker);
      if (!largest || Math.abs(is - was) > Math.abs(largest.by)) largest = { name, by: is - was, label: breaker?.querySelector(".what")?.textContent };
    }
    if (largest && status) status.textContent = `${largest.name}${largest.label ? ", " + largest.label : ""}: ${largest.by > 0 ? "up" : "down"} by ${watts(Math.abs(largest.by))}`;
    before = body.channels;
  }

  const stream = new EventSource(root.root + "live/" + place.dataset.channels + "/channels");
  stream.addEventListener("channels", (event) => show(JSON.parse(event.data)));
})();
