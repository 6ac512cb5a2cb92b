// Asks once a second while a load step runs; without it the page asks by itself.
"use strict";
(() => {
  const EVERY_MS = 1000;
  const id = "verify";

  async function again() {
    const old = document.getElementById(id);
    if (!old || old.dataset.state !== "running" || document.hidden) return;
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (!answer.ok) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById(id);
      if (!fresh || fresh.innerHTML === old.innerHTML) return;
      // Each page hides the secret of its forms in another way; the one that is here holds on.
      for (const secret of fresh.querySelectorAll("[name=csrf]")) secret.setAttribute("value", document.documentElement.dataset.csrf);
      // What has the focus keeps it: only parts that differ are put in.
      const [was, is] = [[...old.children], [...fresh.children]];
      if (was.length !== is.length || was.some((part, at) => part.tagName !== is[at].tagName)) {
        old.replaceChildren(...fresh.childNodes);
      } else {
        was.forEach((part, at) => { if (part.innerHTML !== is[at].innerHTML || part.className !== is[at].className) part.replaceWith(is[at]); });
      }
      old.dataset.state = fresh.dataset.state;
    } catch { /* the next time will tell */ }
  }

  setInterval(again, EVERY_MS);
})();
