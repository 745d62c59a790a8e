// Charts as SVG: elements, axes, ticks.

const SPACE = "http://www.w3.org/2000/svg";

export function svg(
  name: string,
  attributes: Record<string, string | number> = {},
  text?: string,
): SVGElement {
  const element = document.createElementNS(SPACE, name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, String(value));
  if (text !== undefined) element.textContent = text;
  return element;
}

export function html<K extends keyof HTMLElementTagNameMap>(
  name: K,
  className = "",
  text?: string,
): HTMLElementTagNameMap[K] {
  const element = document.createElement(name);
  if (className) element.className = className;
  if (text !== undefined) element.textContent = text;
  return element;
}

/** Round places between `low` and `high`, about `count`. */
export function ticks(low: number, high: number, count: number): number[] {
  const rough = (high - low) / Math.max(count, 1);
  if (!(rough > 0)) return [low];
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = power * ([1, 2, 5, 10].find((k) => k * power >= rough) ?? 10);
  const out: number[] = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + 1e-9 * step; k++) {
    out.push(Number((k * step).toPrecision(12)));
  }
  return out;
}

/** A line through values, broken where there is none. */
export function linePath(xs: ArrayLike<number>, ys: ArrayLike<number>): string {
  let out = "";
  let isDown = false;
  for (let k = 0; k < xs.length; k++) {
    const has = ys[k] === ys[k];
    if (has) out += `${isDown ? "L" : "M"}${xs[k].toFixed(1)} ${ys[k].toFixed(1)}`;
    isDown = has;
  }
  return out;
}
