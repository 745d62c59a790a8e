// What the course can be coloured by, in words and numbers.

import type { Scale } from "./colour";
import type { Unpacked } from "./data";
import { unpackLayer } from "./data";

export interface Layer {
  name: string;
  label: string;
  /** What the number says, for the key. */
  says: string;
  unit: string;
  digits: number;
  scale: Scale;
  signed: boolean;
}

const KNOWN: Layer[] = [
  {
    name: "deviation",
    label: "Deviation",
    says: "cloud minus surface, robust mean of a cell",
    unit: "mm",
    digits: 2,
    scale: "signed",
    signed: true,
  },
  {
    name: "sigma",
    label: "σ",
    says: "standard deviation of the height",
    unit: "mm",
    digits: 2,
    scale: "rising",
    signed: false,
  },
  {
    name: "wavelength",
    label: "Resolved",
    says: "shortest wavelength of which the surface holds more road than noise",
    unit: "m",
    digits: 2,
    scale: "rising",
    signed: false,
  },
  {
    name: "density",
    label: "Density",
    says: "points on a square metre of road",
    unit: "/m²",
    digits: 0,
    scale: "rising",
    signed: false,
  },
  {
    name: "crossfall",
    label: "Crossfall",
    says: "slope across, positive where the left side is higher",
    unit: "%",
    digits: 2,
    scale: "signed",
    signed: true,
  },
  {
    name: "intensity",
    label: "Intensity",
    says: "mean intensity of the points, 0 to 65 535",
    unit: "",
    digits: 0,
    scale: "bright",
    signed: false,
  },
];

/** The layers that the build has data for. */
export function layersOf(data: Unpacked): Layer[] {
  return KNOWN.filter((layer) => data.head.layers.some((l) => l.name === layer.name));
}

const kept = new Map<string, Promise<Float32Array>>();

export function values(data: Unpacked, layer: Layer): Promise<Float32Array> {
  let found = kept.get(layer.name);
  if (!found) kept.set(layer.name, (found = unpackLayer(data, layer.name)));
  return found;
}

/** Least and greatest value that a scale shows. */
export interface Range {
  low: number;
  high: number;
}

/** Share of the values at `q`, roughly: of every so many-th. */
function quantile(all: Float32Array, q: number, of: (v: number) => number): number {
  const stride = Math.max(1, Math.floor(all.length / 40_000));
  const some: number[] = [];
  for (let k = 0; k < all.length; k += stride) if (all[k] === all[k]) some.push(of(all[k]));
  some.sort((a, b) => a - b);
  return some.length ? some[Math.min(Math.floor(q * some.length), some.length - 1)] : NaN;
}

/** The next of 1, 2, 5 times a power of ten that is not below `v`. */
export function roundUp(v: number): number {
  if (!(v > 0)) return 1;
  const power = 10 ** Math.floor(Math.log10(v));
  const k = [1, 2, 5, 10].find((m) => m * power >= v * (1 - 1e-9)) ?? 10;
  return Number((k * power).toPrecision(6));
}

/** Ranges to choose from, the best first. */
export function ranges(layer: Layer, all: Float32Array, toleranceMm: number): Range[] {
  if (layer.signed) {
    const wide = quantile(all, 0.98, Math.abs);
    const own = roundUp(wide);
    const first = layer.name === "deviation" ? toleranceMm : own;
    const half = [first, own, own / 5, 5 * own, first / 5, 2 * first];
    return unique(half).map((v) => ({ low: -v, high: v }));
  }
  const high = roundUp(quantile(all, 0.98, (v) => v));
  const least = quantile(all, 0.02, (v) => v);
  const low = least > 0.5 * high ? Math.floor((least / high) * 20) * (high / 20) : 0;
  const own = { low: Number(low.toPrecision(6)), high };
  return [own, { low: 0, high }, { low: 0, high: high / 2 }, { low: 0, high: high / 5 }, { low: 0, high: 5 * high }].filter(
    (r, k, list) => list.findIndex((o) => o.low === r.low && o.high === r.high) === k,
  );
}

function unique(list: number[]): number[] {
  const short = list.filter((v) => v > 0 && v === v).map((v) => Number(v.toPrecision(6)));
  return short.filter((v, k) => short.indexOf(v) === k);
}
