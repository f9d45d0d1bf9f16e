// The time chart: one strip a quantity, all on one time axis. A band from lowest to highest, a line for the mean, the
// room's bounds as ruled lines; where there are no readings the paper is hatched and nothing is drawn.
"use strict";
(() => {
  const holder = document.getElementById("time-chart");
  const planned = document.getElementById("plan");
  const form = document.getElementById("choose");
  if (!holder || !planned || !window.uPlot) return;
  holder.hidden = false;
  document.getElementById("time-key").hidden = false;

  const DASHES = [[], [7, 4], [2, 3], [12, 3, 2, 3]];
  const MARGIN_PX = 58;
  let strips = [];
  let asked = 0;

  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const faint = (name, share) => `color-mix(in srgb, ${colour(name)} ${share}%, transparent)`;
  const plan = () => JSON.parse(planned.dataset.plan);

  // Buckets without a reading of their own that an earlier reading still covers are no gap: the line runs on.
  function column(values, series, toShown) {
    return values.map((value, i) => (value !== null ? toShown(value) : series.coverage[i] > 0 ? undefined : null));
  }

  function formatters(zone) {
    const make = (options) => new Intl.DateTimeFormat("en-GB", { timeZone: zone, ...options });
    const clock = make({ hour: "2-digit", minute: "2-digit" });
    const day = make({ day: "numeric", month: "short" });
    const month = make({ month: "short", year: "numeric" });
    const full = make({ weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
    return {
      axis: (splits, step) => splits.map((s) => {
        const at = new Date(s * 1000);
        const time = clock.format(at);
        if (step >= 2419200) return month.format(at);
        return step >= 86400 || time === "00:00" ? day.format(at) : time;
      }),
      full: (s) => full.format(new Date(s * 1000)),
    };
  }

  function printed(value, quantity) {
    if (value === null || value === undefined) return "–";
    return value.toFixed(quantity.decimals).replace("-", "−");
  }

  async function fetchAll(wanted) {
    const points = Math.max(60, Math.min(900, Math.floor(holder.clientWidth - MARGIN_PX)));
    const base = `/api/v1/rooms/${encodeURIComponent(wanted.room)}/series?points=${points}&from=${wanted.from}&to=${wanted.to}`;
    const answers = wanted.quantities.map(async (quantity) => {
      const answer = await fetch(`${base}&quantity=${quantity.name}`, { credentials: "omit" });
      const body = await answer.json();
      if (!answer.ok) throw new Error(body.detail);
      return body;
    });
    return Promise.all(answers);
  }

  function dataOf(answer, quantity) {
    const toShown = (value) => value * quantity.times + quantity.plus;
    const middles = answer.edges_ms.slice(1).map((edge, i) => (edge + answer.edges_ms[i]) / 2000);
    const columns = answer.series.flatMap((one) => ["max", "min", "mean"].map((what) => column(one[what], one, toShown)));
    return [middles, ...columns];
  }

  // Stretches for which no reading of any sensor vouches, as [from, to] in seconds.
  function gapsOf(answer) {
    const gaps = [];
    for (let i = 0; i + 1 < answer.edges_ms.length; i++) {
      if (answer.series.some((one) => one.coverage[i] > 0 || one.count[i] > 0)) continue;
      const [from, to] = [answer.edges_ms[i] / 1000, answer.edges_ms[i + 1] / 1000];
      if (gaps.length && gaps[gaps.length - 1][1] === from) gaps[gaps.length - 1][1] = to;
      else gaps.push([from, to]);
    }
    return gaps;
  }

  function hatched(context) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 10;
    const pen = tile.getContext("2d");
    pen.strokeStyle = faint("--pencil", 45);
    pen.lineWidth = 1.2;
    pen.beginPath();
    for (const [x, y] of [[-1, 1], [10, 12], [-1, 11]]) { pen.moveTo(x, y); pen.lineTo(x + 12, y - 12); }
    pen.stroke();
    return context.createPattern(tile, "repeat");
  }

  function paintGround(u, strip) {
    const { left, top, width, height } = u.bbox;
    const pen = u.ctx;
    pen.save();
    pen.beginPath(); pen.rect(left, top, width, height); pen.clip();
    pen.fillStyle = hatched(pen);
    for (const [from, to] of strip.gaps) {
      const x = u.valToPos(from, "x", true);
      pen.fillRect(x, top, u.valToPos(to, "x", true) - x, height);
    }
    const { low, high } = strip.quantity;
    if (low !== null || high !== null) {
      const y0 = high === null ? top : u.valToPos(high, "y", true);
      const y1 = low === null ? top + height : u.valToPos(low, "y", true);
      pen.fillStyle = faint("--window", 15);
      pen.fillRect(left, y0, width, y1 - y0);
    }
    pen.restore();
  }

  function ruleBounds(u, strip) {
    const { left, top, width, height } = u.bbox;
    const pen = u.ctx;
    pen.save();
    pen.beginPath(); pen.rect(left, top, width, height); pen.clip();
    for (const bound of [strip.quantity.low, strip.quantity.high]) {
      if (bound === null) continue;
      const y = u.valToPos(bound, "y", true);
      pen.strokeStyle = colour("--window");
      pen.lineWidth = devicePixelRatio;
      pen.setLineDash([6 * devicePixelRatio, 4 * devicePixelRatio]);
      pen.beginPath(); pen.moveTo(left, y); pen.lineTo(left + width, y); pen.stroke();
    }
    pen.restore();
  }

  function readOut(u, strip, full) {
    const i = u.cursor.idx;
    if (i === null || i === undefined) { strip.read.textContent = strip.resting; return; }
    const said = strip.answer.series.map((one, s) => {
      const [high, low, mean] = [1, 2, 3].map((k) => u.data[s * 3 + k][i]);
      const name = strip.answer.series.length > 1 ? `${strip.names[one.sensor] ?? one.sensor}: ` : "";
      if (mean === null || mean === undefined) return `${name}no readings`;
      const spread = `${printed(low, strip.quantity)} … ${printed(mean, strip.quantity)} … ${printed(high, strip.quantity)}`;
      return `${name}${low === high ? printed(mean, strip.quantity) : spread} ${strip.quantity.unit}`;
    });
    strip.read.textContent = `${full(u.data[0][i])}: ${said.join("; ")}`;
  }

  function options(strip, wanted, width) {
    const forms = formatters(wanted.zone);
    const axis = { stroke: colour("--pencil"), font: "13px Bitter, Georgia, serif", grid: { stroke: colour("--rule"), width: 1 }, ticks: { stroke: colour("--rule-strong"), width: 1, size: 5 } };
    const lines = strip.answer.series.flatMap((one, s) => [
      { stroke: "transparent", width: 0, points: { show: false } },
      { stroke: "transparent", width: 0, points: { show: false } },
      { stroke: colour("--ink"), width: 1.8, dash: DASHES[s % DASHES.length], points: { show: false } },
    ]);
    return {
      width, height: width < 500 ? 170 : 210,
      legend: { show: false },
      cursor: { sync: { key: "strips" }, y: false, points: { show: false }, drag: { x: false, y: false } },
      tzDate: (s) => uPlot.tzDate(new Date(s * 1000), wanted.zone),
      scales: { x: { min: wanted.from / 1000, max: wanted.to / 1000 }, y: { range: (u, low, high) => yRange(low, high, strip.quantity) } },
      series: [{}, ...lines],
      bands: strip.answer.series.map((one, s) => ({ series: [s * 3 + 1, s * 3 + 2], fill: faint("--ring", 38) })),
      axes: [
        { ...axis, size: 34, space: 74, values: (u, splits, at, space, step) => forms.axis(splits, step) },
        { ...axis, size: MARGIN_PX - 8, space: 34 },
      ],
      hooks: { drawClear: [(u) => paintGround(u, strip)], drawAxes: [(u) => ruleBounds(u, strip)], setCursor: [(u) => readOut(u, strip, forms.full)] },
    };
  }

  function yRange(low, high, quantity) {
    const ends = [low, high, quantity.low, quantity.high].filter((end) => end !== null && end !== undefined);
    if (!ends.length) return [0, 1];
    const [bottom, top] = [Math.min(...ends), Math.max(...ends)];
    const air = Math.max((top - bottom) * 0.08, 0.4);
    return [bottom - air, top + air];
  }

  function summary(answer, quantity, gaps) {
    const toShown = (value) => value * quantity.times + quantity.plus;
    const all = (what) => answer.series.flatMap((one) => one[what]).filter((value) => value !== null).map(toShown);
    const [lows, highs] = [all("min"), all("max")];
    if (!lows.length) return "There are no readings in this stretch.";
    const low = lows.reduce((a, b) => Math.min(a, b)), high = highs.reduce((a, b) => Math.max(a, b));
    const heard = `Between ${printed(low, quantity)} and ${printed(high, quantity)} ${quantity.unit}.`;
    return gaps.length ? `${heard} Hatched: there are no readings.` : heard;
  }

  // Which line is whose, where there is more than one.
  function legendOf(answer, wanted) {
    if (answer.series.length < 2) return [];
    const legend = document.createElement("p");
    legend.className = "strip-read";
    answer.series.forEach((one, s) => {
      const sample = document.createElement("span");
      sample.className = `sample sample-${s % DASHES.length}`;
      legend.append(sample, `${wanted.sensors[one.sensor] ?? one.sensor} `);
    });
    return [legend];
  }

  function build(wanted, answers) {
    strips.forEach((strip) => strip.plot?.destroy());
    holder.replaceChildren();
    const width = Math.max(220, holder.clientWidth - 22);
    strips = wanted.quantities.map((quantity, i) => {
      const figure = document.createElement("div");
      figure.className = "strip";
      const title = document.createElement("h3");
      title.textContent = `${quantity.title}, ${quantity.unit}`;
      const read = document.createElement("p");
      read.className = "strip-read";
      const canvas = document.createElement("div");
      canvas.setAttribute("role", "img");
      figure.append(title, ...legendOf(answers[i], wanted), read, canvas);
      holder.append(figure);
      const gaps = gapsOf(answers[i]);
      const strip = { quantity, answer: answers[i], gaps, read, names: wanted.sensors, resting: summary(answers[i], quantity, gaps) };
      read.textContent = strip.resting;
      canvas.setAttribute("aria-label", `${title.textContent} over time. ${strip.resting} The table below has the figures.`);
      const heard = answers[i].series.some((one) => one.count.some((count) => count > 0));
      if (heard) strip.plot = new uPlot(options(strip, wanted, width), dataOf(answers[i], quantity), canvas);
      else canvas.remove();
      return strip;
    });
  }

  async function draw() {
    const mine = ++asked;
    const wanted = plan();
    try {
      const answers = await fetchAll(wanted);
      if (mine === asked) rebuild(wanted, answers);
    } catch (error) {
      if (mine !== asked) return;
      // What is drawn stays; only an empty holder says why it is empty.
      if (!strips.length) holder.textContent = `The chart cannot be drawn: ${error.message}. The table below has the figures.`;
    }
  }

  // New readings do not take the finger's place away.
  function rebuild(wanted, answers) {
    const { left, top } = strips.find((strip) => strip.plot?.cursor.left >= 0)?.plot.cursor ?? {};
    build(wanted, answers);
    if (left >= 0) strips.forEach((strip) => strip.plot?.setCursor({ left, top }, false));
  }

  // Choosing something changes the page's address in place; live.js then takes over what differs. The address alone
  // says which stretch is shown, so that no news leads away from a stretch of the past.
  function choose() {
    if (!form.elements.day.checkValidity()) return; // a year half typed
    const query = new URLSearchParams(new FormData(form));
    for (const [name, value] of [...query]) if (!value) query.delete(name);
    if (form.elements.until.value && !form.elements.day.value) query.delete("until");
    show(`${location.pathname}?${query}`, "replaceState");
  }

  function show(address, way) {
    history[way](null, "", address);
    document.dispatchEvent(new CustomEvent("lumberroom:look"));
  }

  // The form follows what is shown, whichever way led there.
  function follow(wanted) {
    form.elements.until.value = wanted.until;
    if (document.activeElement !== form.elements.day) form.elements.day.value = wanted.day;
    form.elements.span.value = wanted.span;
    const shown = new Set(wanted.quantities.map((quantity) => quantity.name));
    form.querySelectorAll("[name=show]").forEach((box) => { box.checked = shown.has(box.value); });
  }

  let drawn = planned.outerHTML;
  function refreshed() {
    // The table beside the plan changes with the readings: where neither did, there is nothing to draw.
    if (planned.outerHTML === drawn) return;
    drawn = planned.outerHTML;
    const wanted = plan();
    if (new URLSearchParams(location.search).has("day")) history.replaceState(null, "", wanted.address);
    follow(wanted);
    draw();
  }

  // Earlier, later, back to now, and an incident of this room: the page stays, only the stretch changes.
  document.addEventListener("click", (event) => {
    const link = event.target.closest("a[href]");
    if (!link || event.defaultPrevented || event.button || event.ctrlKey || event.metaKey || event.shiftKey || event.altKey) return;
    if (link.pathname !== location.pathname || link.origin !== location.origin || link.hash !== "#history") return;
    event.preventDefault();
    show(link.pathname + link.search, "pushState");
    if (!link.closest("#stretch")) document.getElementById("history").scrollIntoView();
  });
  window.addEventListener("popstate", () => document.dispatchEvent(new CustomEvent("lumberroom:look")));

  let width = 0;
  new ResizeObserver(() => {
    if (Math.abs(holder.clientWidth - width) > 8 && strips.length) draw();
    width = holder.clientWidth;
  }).observe(holder);

  form.addEventListener("change", choose);
  form.addEventListener("submit", (event) => { event.preventDefault(); choose(); });
  form.querySelector("button").hidden = true;
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  document.addEventListener("lumberroom:refreshed", refreshed);
  // Paper is narrower than a desk's screen: a canvas does not follow by itself, and would be cut off at the right.
  const PAPER_PX = 660;
  const fit = (px) => strips.forEach((strip) => strip.plot?.setSize({ width: px, height: strip.plot.height }));
  window.addEventListener("beforeprint", () => fit(Math.min(PAPER_PX, holder.clientWidth - 22)));
  window.addEventListener("afterprint", () => fit(Math.max(220, holder.clientWidth - 22)));
  document.fonts.ready.then(draw);
})();
