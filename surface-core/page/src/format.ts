// Numbers as people read them.

const MINUS = "\u2212";
const THIN = "\u202f";

/** With so many digits after the point, groups of three, and a true minus. */
export function number(v: number, digits = 0): string {
  if (!Number.isFinite(v)) return "–";
  const [whole, part] = Math.abs(v).toFixed(digits).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, THIN);
  const isZero = /^[0.]*$/.test(whole + (part ?? ""));
  return (v < 0 && !isZero ? MINUS : "") + grouped + (part ? `.${part}` : "");
}

/** The same with its sign, where it has one. */
export function signed(v: number, digits = 0): string {
  const text = number(v, digits);
  return v > 0 && Number.isFinite(v) ? `+${text}` : text;
}

/** As short as it can be without losing anything that matters. */
export function short(v: number): string {
  const text = Number(v.toPrecision(4)).toString();
  return text.includes("e") ? number(v, 3) : number(v, (text.split(".")[1] ?? "").length);
}

export function bytes(n: number): string {
  if (n < 1e4) return `${number(n)} B`;
  if (n < 1e7) return `${number(n / 1e3, 0)} kB`;
  return `${number(n / 1e6, 1)} MB`;
}
