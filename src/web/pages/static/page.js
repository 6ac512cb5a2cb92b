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
  // A sentence without names: all its digits are of numbers.
  const said = (text) => text.replace(/(^|[^\d.])(-?)(\d+)(?:\.(\d+))?( (?=(?:k?Wh?|A|V|s|min|h)\b|%))?/g, (all, lead, dash, whole, part, gap) => {
    const sign = lead.trim() ? "" : dash;
    return lead + (sign ? "" : dash) + number(Number(sign + whole + "." + (part ?? 0)), (part ?? "").length) + (gap ? GAP : "");
  });
  const amps = (a) => number(a, Math.abs(a) >= 0.05 && Math.abs(a) < 9.95 ? 1 : 0) + GAP + "A";

  const known = (value) => typeof value === "number" && Number.isFinite(value);
  const at = (body, path) => path.split(".").reduce((value, key) => (value == null ? value : value[key]), body);
  const write = (element, text) => { if (element.textContent !== text) element.textContent = text; };

  function live(place) {
    const clock = place.querySelector("[data-clock]");
    const fresh = place.querySelector("[data-fresh]");
    const staleAfter = Number(place.querySelector("[data-stale-after]")?.dataset.staleAfter || 180) * 1000;
    let newest = Date.now(), told = null, later;

    function figures(body) {
      for (const element of place.querySelectorAll("[data-of]")) {
        let value = at(body, element.dataset.of);
        if (element.dataset.unit === "said") { write(element, said(value ?? "")); continue; }
        if (element.dataset.abs !== undefined && known(value)) value = Math.abs(value);
        if (element.dataset.turned !== undefined && known(value)) value = -value;
        write(element, known(value) ? (element.dataset.unit === "A" ? amps(value) : watts(value)) : UNKNOWN);
        element.classList.toggle("unknown", !known(value));
      }
      // What is worth saying only of something: `data-when` is its path.
      for (const element of place.querySelectorAll("[data-when]")) element.hidden = !(at(body, element.dataset.when) >= 0.5);
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
      for (const item of items) {
        item.watts = at(body, item.querySelector("[data-of]").dataset.of);
        if (known(item.watts)) item.last = Math.abs(item.watts);
      }
      const full = scale(Math.max(...items.map(size)));
      for (const item of items) item.querySelector("rect").setAttribute("width", (100 * Math.min(1, size(item) / full)).toFixed(2) + "%");
    }

    // What is over the list under a pointer or the focus stays where it is, and what falls silent keeps the place
    // of its last figure: most come back within seconds.
    function sort() {
      const list = place.querySelector("[data-rank]");
      if (!list || list.matches(":hover, :focus-within")) return;
      const size = (item) => item.last ?? -1;
      const items = [...list.children];
      const sorted = [...items].sort((one, other) => size(other) - size(one));
      if (sorted.some((item, place) => item !== items[place])) list.append(...sorted);
    }

    // As the server makes them: src/web/pages/balance.rs.
    function strips(body) {
      const turned = (w) => (known(w) ? -w : w);
      const sizes = {
        sources: { sun: [body.generation_w], storage: [turned(body.storage_w)], grid: [body.grid_w] },
        uses: { untracked: [body.untracked_w], storage: [body.storage_w], grid: [turned(body.grid_w)] },
      };
      for (const item of place.querySelectorAll("[data-rank] > [data-use]")) {
        const of = item.querySelector("[data-of]").dataset.of;
        if (of.startsWith("circuits.")) (sizes.uses[item.dataset.use] ||= []).push(at(body, of));
      }
      const above = (terms) => terms.reduce((sum, w) => sum + Math.max(0, known(w) ? w : 0), 0);
      for (const strip of place.querySelectorAll("[data-strip]")) {
        const rects = [...strip.querySelectorAll("[data-part]")];
        const parts = rects.map((rect) => sizes[strip.dataset.strip][rect.dataset.part] || [0]);
        const all = parts.reduce((sum, terms) => sum + above(terms), 0);
        const words = [];
        const open = strip.parentElement.querySelector("[data-open]");
        open.hidden = known(at(body, open.dataset.open));
        let x = 0;
        rects.forEach((rect, index) => {
          const w = above(parts[index]), is = parts[index].every(known), width = all > 0 ? (100 * w) / all : 0;
          rect.setAttribute("x", x.toFixed(2) + "%");
          rect.setAttribute("width", width.toFixed(2) + "%");
          x += width;
          const item = strip.parentElement.querySelector(`li[data-part="${rect.dataset.part}"]`);
          const figure = item.querySelector("data");
          write(figure, is ? watts(w) : UNKNOWN);
          figure.classList.toggle("unknown", !is);
          item.classList.toggle("none", is && w < 0.5);
          if (!is || w >= 0.5) words.push(item.textContent.trim().replace(/\s+/g, " "));
        });
        strip.setAttribute("aria-label", strip.parentElement.querySelector("h2").textContent.trim() + ": " + words.join(", "));
      }
    }

    // What is wrong is said in words, by the server: its part of the page is asked for again.
    async function wrong() {
      try {
        const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
        if (!answer.ok) return;
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        const [old, now] = [document.getElementById("wrong"), page.getElementById("wrong")];
        if (old && now && old.textContent !== now.textContent) {
          // Its room stays as it is while somebody reads on below; what is too long for it is scrolled.
          old.style.height = old.offsetHeight + "px";
          old.classList.add("held");
          old.replaceChildren(...now.childNodes);
          const more = old.scrollHeight > old.clientHeight + 1;
          old.classList.toggle("more", more);
          if (more) old.tabIndex = 0; else old.removeAttribute("tabindex");
        }
      } catch { /* the next time will tell */ }
    }

    function show(body) {
      newest = Date.now();
      // The page was made before there were figures: it is made anew.
      if (!clock && place.querySelector("[data-waiting]")) { location.reload(); return; }
      // The map was changed: so is what there is to show. Not more often than each 5 s, whatever the reason.
      const shown = place.querySelector("[data-circuits]");
      if (shown && performance.now() > 5000 && Object.keys(body.circuits).sort().join(" ") !== shown.dataset.circuits) { location.reload(); return; }
      figures(body);
      if (!clock) return;
      rank(body);
      strips(body);
      clock.dateTime = body.at;
      write(clock, body.at.slice(11, 19));
      write(fresh, "");
      const tell = JSON.stringify([body.alerts, body.unknown]);
      // What channels are silent is surveyed each 5 s: what is told at once may be of before, as may what the page
      // was opened with. Not all viewers ask in the same moment.
      if (told !== tell && (told !== null || place.querySelector("#wrong li"))) {
        if (told !== null) wrong();
        clearTimeout(later);
        later = setTimeout(wrong, 6000 + 1000 * Math.random());
      }
      told = tell;
    }

    const stream = new EventSource(root.root + "live/" + place.dataset.live);
    stream.addEventListener("now", (event) => show(JSON.parse(event.data)));
    // At another width it takes what room it needs. (A phone that shows more or less of its own bars is no other.)
    let wide = innerWidth;
    addEventListener("resize", () => {
      const held = place.querySelector("#wrong.held");
      if (!held || innerWidth === wide) return;
      wide = innerWidth;
      held.style.height = "";
      held.classList.remove("held", "more");
      held.removeAttribute("tabindex");
    });
    setInterval(sort, 10000);
    setInterval(wrong, 60000);
    setInterval(() => {
      const silent = Date.now() - newest;
      if (fresh && silent > staleAfter) write(fresh, "These figures are old: nothing newer came.");
    }, 5000);
  }

  // A chart: the bar under the pointer, the finger or the arrow keys is read from the table of figures.
  function chart(place) {
    const figures = document.querySelector("[data-figures]");
    const readout = place.querySelector("[data-readout]");
    const hint = readout.innerHTML;
    const plots = [...place.querySelectorAll("svg[data-slots]")];
    const rows = [...figures.tBodies[0].rows];
    const keys = [...figures.tHead.rows[0].cells].map((cell) => cell.dataset.key);
    const heading = document.querySelector("[data-key-heading]");
    let current = -1;
    const cursors = plots.map((plot) => {
      const cursor = document.createElementNS("http://www.w3.org/2000/svg", "rect");
      cursor.setAttribute("class", "cursor");
      cursor.setAttribute("height", "100%");
      cursor.setAttribute("width", "0");
      plot.prepend(cursor);
      return cursor;
    });

    function pick(slot) {
      if (slot === current) return;
      current = slot;
      const row = rows[slot];
      plots.forEach((plot, index) => {
        const share = 100 / Number(plot.dataset.slots);
        cursors[index].setAttribute("x", (row ? slot * share : 0) + "%");
        cursors[index].setAttribute("width", row ? share + "%" : "0");
      });
      for (const line of document.querySelectorAll(".keys tr[data-key]")) {
        const cell = line.querySelector("[data-value]");
        const value = row ? row.cells[keys.indexOf(line.dataset.key)].textContent : null;
        write(cell.firstElementChild, value === null ? cell.dataset.all : value === "\u2013" ? UNKNOWN : value + GAP + "kWh");
      }
      if (heading) write(heading, row ? row.cells[0].textContent : heading.dataset.all);
      if (!row) { readout.innerHTML = hint; return; }
      const link = row.cells[0].querySelector("a");
      readout.replaceChildren(row.cells[0].textContent + ": " + row.cells[1].textContent + GAP + "kWh, " + row.cells[row.cells.length - 1].textContent + " known. ");
      if (link) {
        const open = link.cloneNode(false);
        open.textContent = "Open it";
        readout.append(open);
      }
    }
    const slotOf = (event, plot) => {
      const box = plot.getBoundingClientRect();
      const slot = Math.floor(((event.clientX - box.left) / box.width) * Number(plot.dataset.slots));
      return slot >= 0 && slot < rows.length ? slot : -1;
    };
    for (const plot of plots) {
      plot.addEventListener("pointermove", (event) => { if (event.pointerType === "mouse") pick(slotOf(event, plot)); });
      plot.addEventListener("click", (event) => pick(slotOf(event, plot)));
      plot.addEventListener("dblclick", () => readout.querySelector("a")?.click());
    }
    place.addEventListener("pointerleave", (event) => { if (event.pointerType === "mouse" && !readout.contains(document.activeElement)) pick(-1); });
    place.addEventListener("keydown", (event) => {
      if (event.target !== place) return;
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (step) pick(Math.max(0, Math.min(rows.length - 1, current < 0 && step < 0 ? rows.length - 1 : current + step)));
      else if (event.key === "Home") pick(0);
      else if (event.key === "End") pick(rows.length - 1);
      else if (event.key === "Escape") pick(-1);
      else if (event.key === "Enter") readout.querySelector("a")?.click();
      else return;
      event.preventDefault();
      event.stopPropagation();
    });
  }

  // One step earlier or later: by an arrow key where nothing else wants it, or by a swipe.
  function steps(place) {
    const go = (rel) => place.querySelector(`a[rel=${rel}]`)?.click();
    document.addEventListener("keydown", (event) => {
      if (event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
      if (event.target.closest("input, textarea, select, [data-chart], .scroll")) return;
      if (event.key === "ArrowLeft") go("prev");
      if (event.key === "ArrowRight") go("next");
    });
    let from = null;
    place.addEventListener("touchstart", (event) => {
      from = event.touches.length === 1 && !event.target.closest(".scroll") ? event.touches[0] : null;
    }, { passive: true });
    place.addEventListener("touchend", (event) => {
      if (!from) return;
      const to = event.changedTouches[0];
      const [x, y] = [to.clientX - from.clientX, to.clientY - from.clientY];
      from = null;
      if (Math.abs(x) > 60 && Math.abs(x) > 2 * Math.abs(y)) go(x > 0 ? "prev" : "next");
    }, { passive: true });
  }

  // Notes go through the API, as every program's do.
  async function send(url, options, told) {
    try {
      // Where the browser signed in, what changes something has to say that a page of its own sends it.
      const headers = { ...options.headers, "X-CSRF-Token": root.csrf };
      const answer = await fetch(url, { ...options, headers });
      if (answer.ok) { location.reload(); return; }
      const why = await answer.json().catch(() => ({}));
      told(why.error ? `${why.error}; ${why.hint}` : `It was refused (${answer.status}).`);
    } catch {
      told("No answer came: try again.");
    }
  }
  function notes(form) {
    form.hidden = false;
    const told = (text) => { form.querySelector("[role=status]").textContent = text; };
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      const note = { text: form.elements.text.value, start: form.elements.start.value };
      send(form.dataset.note, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(note) }, told);
    });
    for (const button of document.querySelectorAll("[data-remove-note]")) {
      button.hidden = false;
      button.addEventListener("click", () => send(`${form.dataset.note}/${button.dataset.removeNote}`, { method: "DELETE" }, told));
    }
  }

  for (const place of document.querySelectorAll("[data-live]")) live(place);
  for (const place of document.querySelectorAll("[data-chart]")) chart(place);
  for (const place of document.querySelectorAll("[data-steps]")) steps(place);
  for (const form of document.querySelectorAll("[data-note]")) notes(form);
})();
