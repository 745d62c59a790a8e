// Colours for numbers: one scale for signed ones, one for others, one for brightness.

import type { Head } from "./data";

export type Scale = "signed" | "rising" | "bright";

/** Entries of a table of colours: 0 stands for no value, then the scale, then below and above. */
export const FIRST = 1;
export const STEPS = 250;
export const BELOW = 252;
export const ABOVE = 253;

/** Viridis (S. van der Walt, N. Smith, 2015, CC0) at equal steps: even to the eye, also in grey
 *  and to the colour-blind. */
const VIRIDIS = [
  "#440154", "#481a6c", "#472f7d", "#414487", "#39568c", "#31688e", "#2a788e", "#23888e",
  "#1f988b", "#22a884", "#35b779", "#54c568", "#7ad151", "#a5db36", "#d2e21b", "#fde725",
];
/** Equal steps of lightness (OKLab L 0.20 to 0.95) without hue. */
const GREYS = ["#161616", "#2e2e2e", "#494949", "#656565", "#838383", "#a2a2a2", "#c2c2c2", "#e4e4e4"];

function rgb(hex: string): [number, number, number] {
  const n = parseInt(hex.slice(1), 16);
  return [n >> 16, (n >> 8) & 255, n & 255];
}

function between(stops: string[], share: number): [number, number, number] {
  const at = Math.min(Math.max(share, 0), 1) * (stops.length - 1);
  const k = Math.min(Math.floor(at), stops.length - 2);
  const [a, b] = [rgb(stops[k]), rgb(stops[k + 1])];
  return [0, 1, 2].map((c) => a[c] + (b[c] - a[c]) * (at - k)) as [number, number, number];
}

function stops(scale: Scale, head: Head): string[] {
  if (scale === "signed") return head.colours.diverging;
  return scale === "bright" ? GREYS : VIRIDIS;
}

/** 256 colours, four bytes each; the first is `none`. */
export function table(scale: Scale, head: Head, none: string): Uint8Array {
  const out = new Uint8Array(256 * 4).fill(255);
  const put = (k: number, colour: [number, number, number]) => out.set(colour.map(Math.round), 4 * k);
  put(0, rgb(none));
  const ramp = stops(scale, head);
  for (let k = 0; k < STEPS; k++) put(FIRST + k, between(ramp, k / (STEPS - 1)));
  const isSigned = scale === "signed";
  put(BELOW, isSigned ? rgb(head.colours.below) : between(ramp, 0));
  put(ABOVE, isSigned ? rgb(head.colours.above) : between(ramp, 1));
  return out;
}

/** Where a value stands in the table for a scale from `low` to `high`. */
export function entry(value: number, low: number, high: number): number {
  if (value !== value) return 0;
  if (value < low) return BELOW;
  if (value > high) return ABOVE;
  return FIRST + Math.round(((value - low) / (high - low)) * (STEPS - 1));
}

/** The scale as a picture for a key: a CSS gradient from low to high. */
export function gradient(scale: Scale, head: Head): string {
  return `linear-gradient(to right, ${stops(scale, head).join(", ")})`;
}
