// A caught mail's frame is made as tall as the mail, so that all of it is seen without scrolling inside.
"use strict";
(() => {
  const frame = document.querySelector("iframe.letter");
  if (!frame) return;
  let width = 0;

  function fit() {
    const root = frame.contentDocument?.documentElement;
    if (!root || frame.clientWidth === width) return;
    width = frame.clientWidth;
    frame.height = 50; // a page is never shorter than its frame
    const borders = frame.offsetHeight - frame.clientHeight;
    frame.height = root.scrollHeight + borders;
  }

  frame.addEventListener("load", () => { width = 0; fit(); });
  new ResizeObserver(fit).observe(frame);
  fit();
})();
