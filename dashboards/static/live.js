// Keeps a page up to date without reloading it. The stream says only that something changed; the page then fetches
// itself and takes over what differs, so that every figure is rendered in one place. When the stream is lost, the
// page says since when there is no news. No clock of the browser is ever shown: the site's own time comes along.
"use strict";
(() => {
  const LOST_AFTER_MS = 16000; // three ticks of the server stayed away
  const LEAST_PAUSE_MS = 1000; // between two refreshes
  const PAUSE_PER_WORK = 9; // a page is made a tenth of the time at most: the daemon has other work
  const line = document.getElementById("line");
  const words = document.getElementById("line-words");
  const announcer = document.getElementById("announce");
  if (!line || !window.EventSource) return;

  let source = null;
  let lastHeard = performance.now();
  let lastTime = line.dataset.time;
  let lost = false;
  let refreshing = false;
  let again = false;
  let tookBefore = Infinity;

  function say(state, text) {
    if (line.dataset.state !== state) line.dataset.state = state;
    if (words.textContent !== text) words.textContent = text;
  }

  function heard(event) {
    const told = JSON.parse(event.data);
    lastHeard = performance.now();
    lastTime = told.time;
    const wasLost = lost;
    lost = false;
    say("live", `Live: it is ${told.now}`);
    return { told, wasLost };
  }

  function lose() {
    if (lost) return;
    lost = true;
    say("lost", `No news since ${lastTime}. What you see stands still; trying to reach the daemon again.`);
    announce(`No news since ${lastTime}. The figures stand still.`);
  }

  function announce(text) {
    announcer.textContent = text;
  }

  function open() {
    source = new EventSource("/live");
    source.addEventListener("tick", (event) => { if (heard(event).wasLost || stale()) refresh(); });
    source.addEventListener("news", (event) => { heard(event); refresh(); });
    source.addEventListener("error", () => {
      if (source && source.readyState === EventSource.CLOSED) { close(); setTimeout(reopen, 5000); }
      lose();
    });
  }

  function close() {
    if (source) source.close();
    source = null;
  }

  function reopen() {
    if (!source && !document.hidden) open();
  }

  // Ages grow even when nothing arrives: look again now and then.
  // What came between the making of this page and the opening of the stream shows with the second tick.
  let lastRefresh = performance.now() - 16000;
  function stale() { return performance.now() - lastRefresh > 20000; }

  async function refresh() {
    if (refreshing) { again = true; return; }
    refreshing = true;
    const began = performance.now();
    await look();
    const took = performance.now() - began;
    // The quicker of the last two: now and then all charts are drawn anew, which says nothing of the next time.
    const pause = Math.max(LEAST_PAUSE_MS, PAUSE_PER_WORK * Math.min(took, tookBefore));
    tookBefore = took;
    setTimeout(() => { refreshing = false; if (again) { again = false; refresh(); } }, pause);
  }

  // What somebody has chosen meanwhile wins: an answer to an address that is no longer shown is dropped.
  async function look() {
    const asked = location.href;
    try {
      const answer = await fetch(asked, { cache: "no-store", credentials: "omit" });
      const text = await answer.text();
      if (answer.ok && asked === location.href) take(new DOMParser().parseFromString(text, "text/html"));
      lastRefresh = performance.now();
    } catch (error) {
      if (!(error instanceof TypeError)) throw error; // a TypeError is fetch's word for "not reached"
      lose();
    }
  }

  function take(fresh) {
    const before = standings(document);
    for (const old of document.querySelectorAll("[data-live]")) {
      const next = fresh.querySelector(`[data-live="${CSS.escape(old.dataset.live)}"]`);
      if (next) morph(old, next);
    }
    const changed = [];
    for (const [room, standing] of standings(document)) {
      if (before.has(room) && before.get(room) !== standing) changed.push(`${room}: ${standing}.`);
    }
    if (changed.length) announce(changed.join(" "));
    document.dispatchEvent(new CustomEvent("lumberroom:refreshed"));
  }

  function standings(within) {
    return new Map([...within.querySelectorAll("[data-room]")].map((one) => [one.dataset.room, one.dataset.standing]));
  }

  // Make one element like another, touching only what differs: focus, scrolling and opened details stay.
  function morph(old, next) {
    for (const { name } of [...old.attributes]) if (!next.hasAttribute(name) && name !== "open") old.removeAttribute(name);
    for (const { name, value } of [...next.attributes]) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
    const olds = [...old.childNodes], nexts = [...next.childNodes];
    nexts.forEach((fresh, index) => {
      const own = olds[index];
      if (!own) old.appendChild(document.importNode(fresh, true));
      else if (own.nodeType !== fresh.nodeType || own.nodeName !== fresh.nodeName || own.id !== fresh.id) own.replaceWith(document.importNode(fresh, true));
      else if (own.nodeType === Node.ELEMENT_NODE) morph(own, fresh);
      else if (own.nodeValue !== fresh.nodeValue) own.nodeValue = fresh.nodeValue;
    });
    olds.slice(nexts.length).forEach((left) => left.remove());
  }

  setInterval(() => {
    if (!document.hidden && performance.now() - lastHeard > LOST_AFTER_MS) { lose(); if (source) { close(); open(); lastHeard = performance.now(); } }
  }, 1000);

  // A page that nobody sees holds no connection: browsers allow only a few to one address.
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) close();
    else { lastHeard = performance.now(); reopen(); refresh(); }
  });
  document.addEventListener("lumberroom:look", look); // the page's address has changed in place
  window.addEventListener("pagehide", close);
  window.addEventListener("pageshow", reopen);
  open();
})();
