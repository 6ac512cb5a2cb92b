// Keeps the live figures fresh. Everything that it shows the server wrote first; without it the pages read all the same.
"use strict";
(() => {
  const root = document.documentElement.dataset;
  const MINUS = "\u2212", GAP = "\u00a0", UNKNOWN = "unknown";

  // As the server writes them: src/web/pages/numbers.rs.
  function number(value, decimals) {
    const digits = Math.abs(value).toFixed(decimals);
    const [whole, part] = digits.split(".");
    const sign = value < 0 && /[1-9]/.test(digits) ? MINUS : "";
    return sign + whole.replace(/\B(?=(\d{3})+$)/g, root.group) + (part ? root.decimal + part : "");
  }
  function watts(w) {
    const size = Math.abs(w);
    if (size < 999.5) return number(w, 0) + GAP + "W";
    return number(w / 1000, size < 99950 ? 2 : 0) + GAP + "kW";
  }
  const amps = (a) => number(a, Math.abs(a) < 9.95 ? 1 : 0) + GAP + "A";

  const known = (value) => typeof value === "number" && Number.isFinite(value);
  const at = (body, path) => path.split(".").reduce((value, key) => (value == null ? value : value[key]), body);
  const write = (element, text) => { if (element.textContent !== text) element.textContent = text; };

  function live(place) {
    const clock = place.querySelector("[data-clock]");
    const fresh = place.querySelector("[data-fresh]");
    const staleAfter = Number(place.querySelector("[data-stale-after]")?.dataset.staleAfter || 180) * 1000;
    let newest = Date.now(), told = null;

    function figures(body) {
      for (const element of place.querySelectorAll("[data-of]")) {
        let value = at(body, element.dataset.of);
        if (element.dataset.unit === "text") { write(element, value ?? ""); continue; }
        if (element.dataset.less !== undefined && known(value)) {
          const less = at(body, element.dataset.less);
          value = known(less) ? value - less : null;
        }
        if (element.dataset.abs !== undefined && known(value)) value = Math.abs(value);
        write(element, known(value) ? (element.dataset.unit === "A" ? amps(value) : watts(value)) : UNKNOWN);
        element.classList.toggle("unknown", !known(value));
      }
      for (const element of place.querySelectorAll("[data-words]")) {
        const value = at(body, element.dataset.words);
        write(element, element.dataset[!known(value) ? "none" : value < 0 ? "below" : "above"]);
      }
    }

    function scale(largest) {
      const decade = 10 ** Math.floor(Math.log10(Math.max(largest, 100)));
      return ([1, 2, 5].find((step) => step * decade >= largest) || 10) * decade;
    }

    function rank(body) {
      const list = place.querySelector("[data-rank]");
      if (!list) return;
      const size = (item) => Math.abs(item.watts ?? 0);
      const items = [...list.children];
      for (const item of items) item.watts = at(body, item.querySelector("[data-of]").dataset.of);
      const full = scale(Math.max(...items.map(size)));
      for (const item of items) item.querySelector("rect").setAttribute("width", (100 * Math.min(1, size(item) / full)).toFixed(2) + "%");
    }

    // What is over the list under a pointer or the focus stays where it is.
    function sort() {
      const list = place.querySelector("[data-rank]");
      if (!list || list.matches(":hover, :focus-within")) return;
      const size = (item) => (known(item.watts) ? Math.abs(item.watts) : -1);
      const items = [...list.children];
      const sorted = [...items].sort((one, other) => size(other) - size(one));
      if (sorted.some((item, place) => item !== items[place])) list.append(...sorted);
    }

    function strips(body) {
      const above = (w) => Math.max(0, known(w) ? w : 0);
      const storage = known(body.storage_w) ? body.storage_w : 0, grid = known(body.grid_w) ? body.grid_w : 0;
      const parts = {
        sources: { sun: above(body.generation_w), storage: above(-storage), grid: above(grid) },
        uses: { untracked: above(body.untracked_w), storage: above(storage), grid: above(-grid) },
      };
      for (const item of place.querySelectorAll("[data-rank] > [data-use]")) {
        const of = item.querySelector("[data-of]").dataset.of, use = item.dataset.use;
        if (of.startsWith("circuits.") && use !== "sun" && use !== "storage") parts.uses[use] = (parts.uses[use] || 0) + above(at(body, of));
      }
      for (const strip of place.querySelectorAll("[data-strip]")) {
        const sizes = parts[strip.dataset.strip];
        const all = Object.values(sizes).reduce((sum, w) => sum + w, 0);
        const words = [];
        let x = 0;
        for (const rect of strip.querySelectorAll("[data-part]")) {
          const w = sizes[rect.dataset.part] || 0, width = all > 0 ? (100 * w) / all : 0;
          rect.setAttribute("x", x.toFixed(2) + "%");
          rect.setAttribute("width", width.toFixed(2) + "%");
          x += width;
          const item = strip.parentElement.querySelector(`li[data-part="${rect.dataset.part}"]`);
          item.hidden = width < 0.5;
          write(item.querySelector("data"), watts(w));
          if (width >= 0.5) words.push(item.textContent.trim().replace(/\s+/g, " "));
        }
        strip.setAttribute("aria-label", strip.parentElement.querySelector("h3").textContent + ": " + words.join(", "));
      }
    }

    // What is wrong is said in words, by the server: its part of the page is asked for again.
    async function wrong() {
      try {
        const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
        if (!answer.ok) return;
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const [old, now] = [document.getElementById("wrong"), page.getElementById("wrong")];
        if (old && now && old.textContent !== now.textContent) old.replaceChildren(...now.childNodes);
      } catch { /* the next time will tell */ }
    }

    function show(body) {
      newest = Date.now();
      // The page was made before there were figures: it is made anew.
      if (!clock) { location.reload(); return; }
      figures(body);
      rank(body);
      strips(body);
      clock.dateTime = body.at;
      write(clock, body.at.slice(11, 19));
      write(fresh, "");
      const tell = JSON.stringify([body.alerts, body.unknown]);
      if (told !== null && told !== tell) wrong();
      told = tell;
    }

    const stream = new EventSource(root.root + "live/" + place.dataset.live);
    stream.addEventListener("now", (event) => show(JSON.parse(event.data)));
    setInterval(sort, 10000);
    setInterval(wrong, 60000);
    setInterval(() => {
      const silent = Date.now() - newest;
      if (fresh && silent > staleAfter) write(fresh, "These figures are old: nothing newer came.");
    }, 5000);
  }

  for (const place of document.querySelectorAll("[data-live]")) live(place);
})();
