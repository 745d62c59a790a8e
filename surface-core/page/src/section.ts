// A section through the surface: mesh, points, tolerance band.

import type { Course, Place } from "./course";
import type { Profile } from "./data";
import { number, short, signed } from "./format";
import { linePath, svg, ticks } from "./svg";

const WIDTH = 460;
const HEIGHT = 270;
const LEFT = 56;
const RIGHT = 10;
const TOP = 12;
const BOTTOM = 40;

export type Reach = "tolerance" | "points";

export interface Drawn {
  profile: Profile;
  /** Place of the profile's zero, metres: t across or s along. */
  zero: number;
  axis: "t" | "s";
  toleranceMm: number;
  reach: Reach;
}

/** What a section's heights are drawn above: the straight line of the mesh. */
interface Straight {
  level: number;
  slope: number;
}

function straight(profile: Profile): Straight {
  let [n, sx, sz, sxx, sxz] = [0, 0, 0, 0, 0];
  profile.z.forEach((z, k) => {
    if (z !== z) return;
    const x = profile.from + k * profile.step;
    n += 1;
    sx += x;
    sz += z;
    sxx += x * x;
    sxz += x * z;
  });
  const spread = n * sxx - sx * sx;
  const slope = n > 1 && spread > 1e-12 ? (n * sxz - sx * sz) / spread : 0;
  return { level: n ? (sz - slope * sx) / n : 0, slope };
}

/** The section of the height field across the course at a place, without points. */
export function fieldSection(course: Course, place: Place): Profile {
  const [right, left] = course.edges(place.s);
  const step = 0.05;
  const count = Math.max(Math.floor((left - right) / step) + 1, 2);
  const z = Float64Array.from({ length: count }, (_, k) =>
    course.height({ s: place.s, t: right + k * step }),
  );
  const none = new Float64Array();
  return { from: right, step, z, along: none, d: none, reach: 0 };
}

/** Heights of the mesh and of the points above the straight line, millimetres. */
function heights(profile: Profile): { mesh: Float64Array; points: Float64Array; line: Straight } {
  const line = straight(profile);
  const mesh = profile.z.map(
    (z, k) => 1e3 * (z - line.level - line.slope * (profile.from + k * profile.step)),
  );
  const points = profile.along.map((x, k) => {
    const at = (x - profile.from) / profile.step;
    const i = Math.min(Math.max(Math.floor(at), 0), mesh.length - 2);
    const between = mesh[i] + (mesh[i + 1] - mesh[i]) * (at - i);
    const under = between === between ? between : mesh[Math.min(Math.round(at), mesh.length - 1)];
    return under + 1e3 * profile.d[k];
  });
  return { mesh, points, line };
}

function extent(mesh: Float64Array, points: Float64Array, reach: Reach, tolerance: number) {
  const known = [...mesh].filter((v) => v === v);
  let low = Math.min(...known, 0) - 1.6 * tolerance;
  let high = Math.max(...known, 0) + 1.6 * tolerance;
  if (reach === "points") {
    for (const v of points) {
      if (v < low) low = v;
      if (v > high) high = v;
    }
  }
  const room = 0.04 * (high - low);
  return [low - room, high + room];
}

/** Draw a section into an SVG element; what it shows in words. */
export function drawSection(root: SVGSVGElement, drawn: Drawn): string {
  const { profile, zero, axis, toleranceMm } = drawn;
  const { mesh, points, line } = heights(profile);
  const xs = profile.z.map((_, k) => profile.from + k * profile.step);
  const [low, high] = extent(mesh, points, drawn.reach, toleranceMm);
  const span = Math.max(xs[xs.length - 1] - xs[0], 1e-6);
  const x = (v: number) => LEFT + ((v - xs[0]) / span) * (WIDTH - LEFT - RIGHT);
  const y = (v: number) => HEIGHT - BOTTOM - ((v - low) / (high - low)) * (HEIGHT - TOP - BOTTOM);
  root.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  root.replaceChildren();
  axes(root, { x, y, low, high, from: xs[0] + zero, to: xs[0] + span + zero, zero, axis });
  const clip = svg("g", { "clip-path": "url(#section-clip)" });
  const mask = svg("clipPath", { id: "section-clip" });
  mask.append(svg("rect", { x: LEFT, y: TOP, width: WIDTH - LEFT - RIGHT, height: HEIGHT - TOP - BOTTOM }));
  root.append(mask, clip);
  const screen = Float64Array.from(xs, x);
  clip.append(svg("path", { class: "band", d: band(screen, mesh, y, toleranceMm) }));
  clip.append(svg("path", { class: "dots", d: dots(profile.along.map(x), points.map(y)) }));
  clip.append(svg("path", { class: "mesh", d: linePath(screen, mesh.map(y)) }));
  const outside = points.filter((v) => v < low || v > high).length;
  return describe(drawn, line, outside);
}

function describe({ profile, axis, toleranceMm }: Drawn, line: Straight, outside: number): string {
  const name = axis === "t" ? "crossfall" : "grade";
  const parts = [`Heights above the mesh's straight line (${name} ${signed(100 * line.slope, 2)} %)`];
  if (profile.along.length > 0) {
    const beside = axis === "t" ? "before and after" : "left and right of";
    parts.push(
      `${number(profile.along.length)} points up to ${number(1e3 * profile.reach)} mm ${beside} the section`,
    );
    parts.push(`band: ±${short(toleranceMm)} mm`);
  } else {
    parts.push("height field at the place that is pointed at; points are kept for spots");
  }
  if (outside > 0) parts.push(`${number(outside)} points lie beyond the picture`);
  return `${parts.join("; ")}.`;
}

function band(
  xs: Float64Array,
  mesh: Float64Array,
  y: (v: number) => number,
  tolerance: number,
): string {
  let out = "";
  for (let from = 0; from < mesh.length; from++) {
    if (mesh[from] !== mesh[from]) continue;
    let to = from;
    while (to + 1 < mesh.length && mesh[to + 1] === mesh[to + 1]) to++;
    const side = (sign: number, k: number) => `${xs[k].toFixed(1)} ${y(mesh[k] + sign * tolerance).toFixed(1)}`;
    const up: string[] = [];
    const down: string[] = [];
    for (let k = from; k <= to; k++) {
      up.push(side(1, k));
      down.unshift(side(-1, k));
    }
    out += `M${[...up, ...down].join("L")}Z`;
    from = to;
  }
  return out;
}

/** Points as strokes of no length: round ends make dots of them. */
function dots(xs: Float64Array, ys: Float64Array): string {
  let out = "";
  for (let k = 0; k < xs.length; k++) {
    if (ys[k] === ys[k]) out += `M${xs[k].toFixed(1)} ${ys[k].toFixed(1)}h0`;
  }
  return out;
}

interface Frame {
  x: (v: number) => number;
  y: (v: number) => number;
  low: number;
  high: number;
  from: number;
  to: number;
  zero: number;
  axis: "t" | "s";
}

function axes(root: SVGSVGElement, { x, y, low, high, from, to, zero, axis }: Frame): void {
  const bottom = HEIGHT - BOTTOM;
  for (const v of ticks(low, high, 5)) {
    root.append(svg("line", { class: v === 0 ? "grid zero" : "grid", x1: LEFT, x2: WIDTH - RIGHT, y1: y(v), y2: y(v) }));
    root.append(svg("text", { x: LEFT - 6, y: y(v) + 4, "text-anchor": "end" }, short(v)));
  }
  const places = ticks(from, to, 6);
  const digits = Math.max(0, ...places.map((v) => (String(v).split(".")[1] ?? "").length));
  for (const v of places) {
    const at = x(v - zero);
    root.append(svg("line", { class: "tick", x1: at, x2: at, y1: bottom, y2: bottom + 5 }));
    const text = axis === "t" ? signed(v, digits) : number(v, digits);
    root.append(svg("text", { x: at, y: bottom + 17, "text-anchor": "middle" }, text));
  }
  root.append(svg("line", { class: "tick", x1: LEFT, x2: WIDTH - RIGHT, y1: bottom, y2: bottom }));
  const name = axis === "t" ? "t, m (left is +)" : "s, m";
  root.append(svg("text", { x: (LEFT + WIDTH - RIGHT) / 2, y: HEIGHT - 6, "text-anchor": "middle" }, name));
  const middle = (TOP + bottom) / 2;
  root.append(
    svg("text", { x: 12, y: middle, transform: `rotate(-90 12 ${middle})`, "text-anchor": "middle" }, "height, mm"),
  );
}
