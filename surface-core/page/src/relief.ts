// The surface in three dimensions: orbit, zoom, heights exaggerated.

import { m4, type v3 } from "twgl.js";

import type { Place } from "./course";
import { short } from "./format";
import { roundUp } from "./layers";
import { COARSEST, withinBudget, type Painter, type Piece } from "./painter";
import type { Store } from "./store";
import { View, type Point, type Theme } from "./view";

const FIELD_OF_VIEW = (40 * Math.PI) / 180;
const LEAST_PITCH = 0.03;
const MOST_PITCH = Math.PI / 2 - 0.01;
/** Nodes of the nearest level of detail are about so many pixels apart. */
const PIXELS_A_NODE = 3;
/** How near the pointer has to be to a place of the road, pixels. */
const REACH = 24;

export class Relief extends View {
  /** What is looked at, local metres; heights without exaggeration. */
  private target: [number, number, number] = [0, 0, 0];
  private distance = 0;
  /** Direction from the target to the eye: anticlockwise from east, and up. */
  private yaw = -Math.PI / 2;
  private pitch = 0.75;

  constructor(canvas: HTMLCanvasElement, store: Store, painter: Painter | null) {
    super(canvas, store, painter, ["layer", "values", "range", "cursor", "spot", "exaggeration"]);
  }

  override resize(always = false): void {
    if (this.distance === 0) {
      const box = this.canvas.getBoundingClientRect();
      this.frame(box.width / Math.max(box.height, 1));
    }
    super.resize(always);
  }

  private get diagonal(): number {
    const [west, south, east, north] = this.course.box;
    return Math.hypot(east - west, north - south);
  }

  whole(): void {
    this.frame(this.width / this.height);
    this.redraw();
  }

  /** Take in the whole course from the south. */
  private frame(aspect: number): void {
    const [west, south, east, north] = this.course.box;
    const [low, high] = this.course.heights;
    this.target = [(west + east) / 2, (south + north) / 2, (low + high) / 2];
    this.yaw = -Math.PI / 2;
    this.pitch = 0.75;
    const deep = (north - south) * Math.sin(this.pitch);
    const half = 0.5 * Math.max((east - west) / aspect, deep);
    // What is nearer than the middle looks larger: room for it.
    this.distance = 1.05 * (half / Math.tan(FIELD_OF_VIEW / 2) + 0.25 * (north - south));
  }

  /** Look at a place from so far away, along the course. */
  show(place: Place, distance: number): void {
    const [x, y] = this.course.plan(place);
    const z = this.course.height(place);
    this.target = [x, y, z === z ? z : this.target[2]];
    this.distance = distance;
    const f = this.course.frame(this.course.wrap(place.s));
    this.yaw = Math.atan2(-f.ty, -f.tx) + 0.5;
    this.pitch = 0.5;
    this.redraw();
  }

  get pixelsPerMetre(): number {
    return this.height / (2 * Math.tan(FIELD_OF_VIEW / 2) * this.distance);
  }

  private get eye(): v3.Vec3 {
    const [x, y, z] = this.lookedAt;
    const level = this.distance * Math.cos(this.pitch);
    return [
      x + level * Math.cos(this.yaw),
      y + level * Math.sin(this.yaw),
      z + this.distance * Math.sin(this.pitch),
    ];
  }

  private get lookedAt(): [number, number, number] {
    const [x, y, z] = this.target;
    return [x, y, z * this.state.exaggeration];
  }

  private get matrix(): m4.Mat4 {
    const [low, high] = this.course.heights;
    const reach = this.diagonal + (high - low) * this.state.exaggeration;
    const near = Math.max(this.distance / 40, 0.05);
    const aspect = this.width / this.height;
    const lens = m4.perspective(FIELD_OF_VIEW, aspect, near, this.distance + 1.5 * reach);
    return m4.multiply(lens, m4.inverse(m4.lookAt(this.eye, this.lookedAt, [0, 0, 1])));
  }

  protected draw(colours: Theme): void {
    const matrix = this.matrix;
    this.paint({
      matrix: matrix as Float32Array,
      unrolled: false,
      exaggeration: this.state.exaggeration,
      shading: 1,
      pieces: withinBudget(this.course, this.pieces(matrix)),
    });
    this.stations(matrix, colours);
    this.spots(matrix, colours);
    const { cursor } = this.state;
    const at = cursor && this.toScreen(matrix, cursor);
    if (at) this.mark(at[0], at[1], colours);
  }

  /** Sections in view with the level of detail that their distance asks for. */
  private pieces(matrix: m4.Mat4): Piece[] {
    const { course } = this;
    const [right, left] = course.across;
    const [ex, ey, ez] = this.eye;
    const perPixel = (2 * Math.tan(FIELD_OF_VIEW / 2)) / this.height;
    const out: Piece[] = [];
    course.data.head.sections.forEach(([from, length, rows], section) => {
      const s = from + (length * rows) / 2;
      const [x, y] = course.plan({ s, t: 0 });
      const z = this.heightNear(s) * this.state.exaggeration;
      const radius = (length * rows) / 2 + Math.max(-right, left) + 0.5 * this.state.exaggeration;
      if (!isInView(matrix, [x, y, z], radius)) return;
      const away = Math.max(Math.hypot(x - ex, y - ey, z - ez) - radius, 0.5);
      const wanted = (PIXELS_A_NODE * perPixel * away) / course.tStep;
      let step = 1;
      while (step < COARSEST && 2 * step <= wanted) step *= 2;
      out.push({ section, step });
    });
    return out;
  }

  private heightNear(s: number): number {
    const z = this.course.height({ s, t: 0 });
    return z === z ? z : this.target[2];
  }

  private toScreen(matrix: m4.Mat4, place: Place): Point | null {
    const z = this.course.height(place);
    if (z !== z) return null;
    const [x, y] = this.course.plan(place);
    return this.project(matrix, x, y, z);
  }

  private project(m: m4.Mat4, x: number, y: number, z: number): Point | null {
    const up = z * this.state.exaggeration;
    const w = m[3] * x + m[7] * y + m[11] * up + m[15];
    if (w < 0.01) return null;
    const cx = (m[0] * x + m[4] * y + m[8] * up + m[12]) / w;
    const cy = (m[1] * x + m[5] * y + m[9] * up + m[13]) / w;
    if (Math.abs(cx) > 1.2 || Math.abs(cy) > 1.2) return null;
    return [(0.5 + 0.5 * cx) * this.width, (0.5 - 0.5 * cy) * this.height];
  }

  private stations(matrix: m4.Mat4, colours: Theme): void {
    const { course, context } = this;
    const step = Math.max(roundUp(90 / this.pixelsPerMetre), 0.5);
    context.textAlign = "center";
    context.textBaseline = "bottom";
    const reach = 1.2 * this.distance;
    const drawn: Point[] = [];
    for (let s = 0; s < course.length - (course.closed ? step / 2 : -1e-9); s += step) {
      const place = { s, t: course.edges(s)[1] };
      const [x, y] = course.plan(place);
      if (Math.hypot(x - this.target[0], y - this.target[1]) > reach) continue;
      const at = this.toScreen(matrix, place);
      if (!at || drawn.some((p) => Math.hypot(p[0] - at[0], p[1] - at[1]) < 32)) continue;
      drawn.push(at);
      context.beginPath();
      context.moveTo(at[0], at[1]);
      context.lineTo(at[0], at[1] - 6);
      this.stroke(1.5, colours);
      this.label(s === 0 ? "s 0 m" : short(s), at[0], at[1] - 7, colours, colours.faint);
    }
  }

  private spots(matrix: m4.Mat4, colours: Theme): void {
    const at = this.course.data.head.spots.flatMap((spot, k) => {
      const point = this.toScreen(matrix, { s: spot.at_m[0], t: spot.at_m[1] });
      return point ? [{ point, reach: 8, k }] : [];
    });
    this.rings(at, colours);
  }

  /** The place of the road that is seen nearest to the pointer; of those under it the nearest to
   *  the eye. */
  private placeAt([px, py]: Point): Place | null {
    const { course } = this;
    const matrix = this.matrix;
    const [ex, ey] = this.eye;
    const step = Math.max(course.data.head.line.step_m, REACH / this.pixelsPerMetre / 3);
    let best: { place: Place; away: number } | null = null;
    const consider = (s: number, t: number) => {
      const at = this.toScreen(matrix, { s, t });
      if (!at) return;
      const off = Math.hypot(at[0] - px, at[1] - py);
      const [x, y] = course.plan({ s, t });
      const away = off + 0.002 * Math.hypot(x - ex, y - ey);
      if (off < REACH && (!best || away < best.away)) best = { place: { s, t }, away };
    };
    for (let s = 0; s < course.length; s += step) {
      const [right, left] = course.edges(s);
      for (let k = 0; k <= 4; k++) consider(s, right + ((left - right) * k) / 4);
    }
    const found = best as { place: Place; away: number } | null;
    if (!found) return null;
    // Once more, finer, around it.
    const { s: s0, t: t0 } = found.place;
    best = null;
    for (let i = -8; i <= 8; i++) {
      for (let j = -8; j <= 8; j++) {
        const s = course.wrap(s0 + (i * step) / 12);
        const [right, left] = course.edges(s);
        consider(s, Math.min(Math.max(t0 + (j * (left - right)) / 40, right), left));
      }
    }
    return (best as { place: Place } | null)?.place ?? found.place;
  }

  protected onPoint(at: Point): void {
    const place = this.placeAt(at);
    this.canvas.style.cursor = place ? "crosshair" : "grab";
    if (place) this.store.point(place);
  }

  protected onClick(at: Point): void {
    this.onPoint(at);
  }

  protected onDrag(from: Point, to: Point, event: PointerEvent): void {
    const [dx, dy] = [to[0] - from[0], to[1] - from[1]];
    if (event.shiftKey || event.buttons === 2) this.pan(dx, dy);
    else this.turn(dx, dy);
  }

  private turn(dx: number, dy: number): void {
    this.yaw -= dx * 0.006;
    this.pitch = Math.min(Math.max(this.pitch + dy * 0.005, LEAST_PITCH), MOST_PITCH);
    this.redraw();
  }

  /** Move the target with the pointer, over the plan. */
  private pan(dx: number, dy: number): void {
    const perPixel = 1 / this.pixelsPerMetre;
    const [c, s] = [Math.cos(this.yaw), Math.sin(this.yaw)];
    const forward = (dy * perPixel) / Math.max(Math.sin(this.pitch), 0.25);
    this.target[0] += s * dx * perPixel - c * forward;
    this.target[1] += -c * dx * perPixel - s * forward;
    const [x, y] = this.target;
    const under = this.course.nearest(x, y, 5);
    const z = under ? this.course.height(under) : NaN;
    if (z === z) this.target[2] = z;
    this.redraw();
  }

  protected onZoom(factor: number): void {
    this.distance = Math.min(Math.max(this.distance / factor, 0.8), 4 * this.diagonal);
    this.redraw();
  }

  protected onKey(event: KeyboardEvent): boolean {
    const arrows: Record<string, Point> = {
      ArrowLeft: [30, 0],
      ArrowRight: [-30, 0],
      ArrowUp: [0, 30],
      ArrowDown: [0, -30],
    };
    const by = arrows[event.key];
    if (by && event.shiftKey) this.pan(...by);
    else if (by) this.turn(...by);
    else if (event.key === "+" || event.key === "=") this.zoom(1.3);
    else if (event.key === "-") this.zoom(1 / 1.3);
    else if (event.key === "0") this.whole();
    else return false;
    return true;
  }
}

/** Whether a ball reaches into the picture. */
function isInView(m: m4.Mat4, [x, y, z]: [number, number, number], radius: number): boolean {
  for (const axis of [0, 1]) {
    for (const sign of [1, -1]) {
      const plane = [0, 1, 2, 3].map((k) => m[4 * k + 3] + sign * m[4 * k + axis]);
      const length = Math.hypot(plane[0], plane[1], plane[2]);
      if (plane[0] * x + plane[1] * y + plane[2] * z + plane[3] < -radius * length) return false;
    }
  }
  const w = m[3] * x + m[7] * y + m[11] * z + m[15];
  return w > -radius;
}
