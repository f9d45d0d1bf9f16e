// While somebody looks at what is within reach the page asks again every two seconds, so that figures move when one
// breathes on a sensor. `live.js` does the fetching; a page that nobody sees asks nothing, and the looking ends.
"use strict";
(() => {
  const EVERY_MS = 2000;
  setInterval(() => {
    if (!document.hidden) document.dispatchEvent(new CustomEvent("lumberroom:look"));
  }, EVERY_MS);
})();
