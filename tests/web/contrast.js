// Gives how many elements of the page have text of their own, and those of them whose contrast is under 4.5 : 1.
// leftOut: a selector of what is not looked at.
(leftOut) => {
  const pen = document.createElement('canvas').getContext('2d', { willReadFrequently: true });
  const parse = (text) => {
    pen.clearRect(0, 0, 1, 1); pen.fillStyle = text; pen.fillRect(0, 0, 1, 1);
    const [r, g, b, alpha] = pen.getImageData(0, 0, 1, 1).data;
    return [r, g, b, alpha / 255];
  };
  const linear = (v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
  const light = (c) => [0.2126, 0.7152, 0.0722].reduce((sum, share, i) => sum + share * linear(c[i] / 255), 0);
  const over = (under, c) => [0, 1, 2].map((i) => c[i] * c[3] + under[i] * (1 - c[3]));
  const ground = (one) => {
    const layers = [];
    for (let at = one; at; at = at.parentElement) {
      const c = parse(getComputedStyle(at).backgroundColor);
      if (c[3] > 0) layers.unshift(c);
      if (c[3] === 1) break;
    }
    return layers.reduce(over, [255, 255, 255]);
  };
  const board = () => parse(getComputedStyle(document.documentElement).getPropertyValue('--board'));
  const pairOf = (one) => {
    if (!one.closest('svg')) return [parse(getComputedStyle(one).color), ground(one)];
    const onBoard = one.matches('.wc-ring-label, .wc-now-label, .wc-empty');
    return [parse(getComputedStyle(one).fill), onBoard ? board() : ground(one.closest('svg').parentElement)];
  };
  const bad = [];
  let seen = 0;
  for (const one of document.querySelectorAll('body *')) {
    const own = [...one.childNodes].some((n) => n.nodeType === 3 && n.nodeValue.trim());
    if (!own || one.closest(leftOut) || !one.getBoundingClientRect().width) continue;
    seen += 1;
    const [a, b] = pairOf(one).map(light).sort((x, y) => y - x);
    const ratio = (a + 0.05) / (b + 0.05);
    if (ratio < 4.5) bad.push(`${one.outerHTML.slice(0, 80)}: ${ratio.toFixed(2)}`);
  }
  return [seen, bad];
}
