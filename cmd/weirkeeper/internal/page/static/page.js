"use strict";
// Keeps a page with data-live up to date: /events says that something has changed,
// and that the daemon lives. Without it the page is as it was loaded.
(() => {
  if (!document.body.hasAttribute("data-live")) return;
  const patience = 8000; // ms without a word, of one each 3 s, until the daemon counts as lost
  const lost = document.getElementById("lost");
  const main = document.getElementById("main");
  const loaded = Date.now();
  let heard = loaded, source = null, busy = false, again = false;

  const clock = (t) => new Date(t).toLocaleTimeString(document.documentElement.lang, { hour12: false });

  function live() {
    heard = Date.now();
    if (!lost.hidden) refresh();
  }
  function mark(isLost) {
    if (lost.hidden !== isLost) return;
    if (isLost) lost.querySelector(".since").textContent = lost.dataset.since.replace("{}", clock(heard));
    lost.hidden = !isLost;
    document.body.classList.toggle("lost", isLost);
    for (const m of main.querySelectorAll(".oldmark")) m.remove();
    if (isLost) for (const v of main.querySelectorAll(".value")) {
      const m = document.createElement("span");
      m.className = "oldmark";
      m.textContent = " " + lost.dataset.old;
      v.after(m);
    }
  }

  // What has the focus and what is open stays so over a refresh, by its id.
  async function refresh() {
    if (busy) { again = true; return; }
    busy = true;
    try {
      const answer = await fetch(location.href, { headers: { "Accept": "text/html", "Weirkeeper-Part": "main" }, cache: "no-store", signal: AbortSignal.timeout(patience) });
      if (answer.redirected || answer.status === 401 || answer.status === 403) { location.reload(); return; }
      if (!answer.ok) throw new Error("status " + answer.status);
      const text = await answer.text();
      const focused = document.activeElement && main.contains(document.activeElement) ? document.activeElement.id : "";
      const open = new Map([...main.querySelectorAll("details[id]")].map((d) => [d.id, d.open]));
      const typed = new Map([...main.querySelectorAll("input[id]:not([type=hidden]), textarea[id], select[id]")].map((i) => [i.id, i.value]));
      const top = window.scrollY;
      const fresh = new DOMParser().parseFromString(text, "text/html");
      for (const d of fresh.querySelectorAll("details[id]")) if (open.has(d.id)) d.open = open.get(d.id);
      main.replaceChildren(...fresh.body.childNodes);
      for (const [id, value] of typed) { const i = document.getElementById(id); if (i) i.value = value; }
      if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
      window.scrollTo(0, top);
      heard = Date.now();
      mark(false);
      if (heard - loaded > 20000) document.querySelector(".said")?.remove();
      document.dispatchEvent(new Event("refreshed"));
    } catch { /* the daemon is not there or says no: the next word of it, or the lack of one, tells */ }
    busy = false;
    if (again) { again = false; refresh(); }
  }

  // Where no more pages may listen, ask from time to time.
  let asked = 0;
  function ask() {
    if (document.visibilityState !== "visible" || Date.now() - asked < 4000) return;
    asked = Date.now();
    if (++asks % 4) refresh(); else listen();
  }
  let asks = 0;

  function listen() {
    if (source) source.close();
    source = new EventSource("/events");
    source.addEventListener("alive", live);
    source.addEventListener("changed", () => { heard = Date.now(); refresh(); });
    source.addEventListener("bye", () => source.close());
  }
  setInterval(() => {
    const silent = Date.now() - heard > patience;
    mark(silent || !lost.hidden);
    if (source.readyState === EventSource.CLOSED) ask();
  }, 1000);
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") { listen(); refresh(); } });
  window.addEventListener("pageshow", (e) => { if (e.persisted) { listen(); refresh(); } });
  listen();
})();
