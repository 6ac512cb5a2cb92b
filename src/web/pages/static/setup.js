// Keeps what comes in fresh; what is marked stays so. Without it a button does the same.
"use strict";
(() => {
  const form = document.querySelector("[data-look]");
  if (!form) return;
  const EVERY_MS = 2000;
  const same = (key) => (row) => row.dataset.key === key;

  async function again() {
    if (document.hidden) return;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const fresh = page.querySelector("[data-look]");
      if (!fresh) return;
      const [was, is] = [document, page].map((one) => one.querySelector("[data-trouble]"));
      if (was.textContent !== is.textContent) was.replaceChildren(...is.childNodes);
      const rows = [...form.querySelectorAll("[data-key]")], body = form.querySelector("tbody");
      if (!body) {
        if (fresh.querySelector("tbody")) form.replaceChildren(...fresh.childNodes);
        return;
      }
      for (const row of fresh.querySelectorAll("[data-key]")) {
        const old = rows.find(same(row.dataset.key));
        if (!old) { renumber(row, body.children.length + 1); body.append(row); continue; }
        for (const part of ["data-newest", "data-picture", "data-every"]) {
          const [was, is] = [old, row].map((one) => one.querySelector(`[${part}]`));
          if (was.innerHTML !== is.innerHTML) was.replaceChildren(...is.childNodes);
        }
      }
    } catch { /* the next time will tell */ }
  }

  function renumber(row, n) {
    row.querySelector("input").id = row.querySelector("label").htmlFor = "pick-new-" + n;
  }

  setInterval(again, EVERY_MS);
})();
