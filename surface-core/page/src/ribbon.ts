// The ribbon unrolled: s to the right, the left edge on top.

import type { Place } from "./course";
import { short } from "./format";
import { roundUp } from "./layers";
import { stepFor, withinBudget, type Painter, type Piece } from "./painter";
import type { Store } from "./store";
import { View, type Point, type Theme } from "./view";

const LEFT = 44;
const RIGHT = 12;
const TOP = 8;
const BOTTOM = 24;

export class RibbonView extends View {
  constructor(
    canvas: HTMLCanvasElement,
    store: Store,
    painter: Painter | null,
    private readonly choose: (spot: number) => void,
  ) {
    super(canvas, store, painter, ["layer", "values", "range", "cursor", "spot", "window"]);
  }

  /** Pixels a metre along and across. */
  private get pixels(): Point {
    const [low, high] = this.span;
    return [
      (this.width - LEFT - RIGHT) / this.state.window.length,
      (this.height - TOP - BOTTOM) / (high - low),
    ];
  }

  get pixelsPerMetre(): number {
    return this.pixels[0];
  }

  private get span(): Point {
    const [right, left] = this.course.across;
    return [right - 0.3, left + 0.3];
  }

  /** Station unwrapped so that it is nearest to the middle of the window. */
  private unwrap(s: number): number {
    if (!this.course.closed) return s;
    const { from, length } = this.state.window;
    const lap = this.course.length;
    return s + Math.round((from + length / 2 - s) / lap) * lap;
  }

  private toScreen({ s, t }: Place): Point {
    const [kx, ky] = this.pixels;
    return [LEFT + (this.unwrap(s) - this.state.window.from) * kx, TOP + (this.span[1] - t) * ky];
  }

  private toPlace([x, y]: Point): Place {
    const [kx, ky] = this.pixels;
    return { s: this.state.window.from + (x - LEFT) / kx, t: this.span[1] - (y - TOP) / ky };
  }

  protected draw(colours: Theme): void {
    const [kx, ky] = this.pixels;
    const { from, length } = this.state.window;
    const { course } = this;
    const [sx, sy] = [(2 * kx) / this.width, (2 * ky) / this.height];
    const x0 = (2 * LEFT) / this.width - 1 - from * sx;
    const y0 = 1 - (2 * TOP) / this.height - this.span[1] * sy;
    const matrix = [sx, 0, 0, 0, 0, sy, 0, 0, 0, 0, -1e-6, 0, x0, y0, 0, 1];
    const step = Math.min(stepFor(course, 1 / kx), stepFor(course, 1 / ky));
    const pieces: Piece[] = [];
    const shifts = course.closed ? [-course.length, 0, course.length] : [0];
    course.data.head.sections.forEach(([start, rowLength, rows], section) => {
      for (const shift of shifts) {
        const isIn = start + shift < from + length && start + shift + rowLength * rows > from;
        if (isIn) pieces.push({ section, step, shift });
      }
    });
    this.paint({
      matrix,
      unrolled: true,
      exaggeration: 1,
      shading: 0,
      pieces: withinBudget(course, pieces),
    });
    this.context.clearRect(0, 0, LEFT, this.height);
    this.context.clearRect(this.width - RIGHT, 0, RIGHT, this.height);
    this.axes(colours);
    this.marks(colours);
  }

  private axes(colours: Theme): void {
    const { context } = this;
    const [kx, ky] = this.pixels;
    const { from } = this.state.window;
    context.strokeStyle = colours.faint;
    context.lineWidth = 1;
    context.textBaseline = "top";
    context.textAlign = "center";
    const step = roundUp(80 / kx);
    const bottom = this.height - BOTTOM;
    for (const [s, name] of this.stations(step)) {
      const x = LEFT + (s - from) * kx;
      context.beginPath();
      context.moveTo(x, bottom);
      context.lineTo(x, bottom + 5);
      context.stroke();
      this.label(short(name), x, bottom + 7, colours, colours.faint);
    }
    context.textAlign = "right";
    context.textBaseline = "middle";
    this.label("s m", LEFT - 8, bottom + 13, colours, colours.faint);
    const across = roundUp(34 / ky);
    for (let t = Math.ceil(this.span[0] / across) * across; t <= this.span[1]; t += across) {
      const y = TOP + (this.span[1] - t) * ky;
      context.beginPath();
      context.moveTo(LEFT - 5, y);
      context.lineTo(LEFT, y);
      context.stroke();
      const text = t === 0 ? "t 0 m" : `${t > 0 ? "+" : "\u2212"}${short(Math.abs(t))}`;
      this.label(text, LEFT - 8, y, colours, colours.faint);
    }
  }

  /** Round stations in the window: where they are drawn, and what they are called; a lap begins
   *  again at 0. */
  private stations(step: number): [number, number][] {
    const { from, length } = this.state.window;
    const lap = this.course.length;
    const out: [number, number][] = [];
    for (const start of this.course.closed ? [0, lap] : [0]) {
      const end = this.course.closed ? lap - 0.4 * step : lap + 1e-9;
      for (let s = 0; s < end; s += step) {
        if (start + s >= from - 1e-9 && start + s <= from + length + 1e-9) out.push([start + s, s]);
      }
    }
    return out;
  }

  private marks(colours: Theme): void {
    const { context } = this;
    context.save();
    context.beginPath();
    context.rect(LEFT, 0, this.width - LEFT - RIGHT, this.height);
    context.clip();
    const [kx, ky] = this.pixels;
    context.textAlign = "left";
    context.textBaseline = "bottom";
    this.course.data.head.spots.forEach((spot, k) => {
      const [x, y] = this.toScreen({ s: spot.middle_m[0], t: spot.middle_m[1] });
      const half = (size: number, pixels: number) => Math.max(0.5 * size * pixels + 4, 8);
      const [rx, ry] = [half(spot.length_m, kx), half(spot.width_m, ky)];
      this.ring(x, y, rx, ry, colours, k === this.state.spot);
      const above = y - 0.72 * ry > 16;
      this.label(String(spot.id), x + 0.72 * rx + 3, above ? y - 0.72 * ry : y + ry, colours, colours.accent);
    });
    const { cursor } = this.state;
    if (cursor) {
      const [x, y] = this.toScreen(cursor);
      context.beginPath();
      context.moveTo(x, TOP);
      context.lineTo(x, this.height - BOTTOM);
      context.lineWidth = 1;
      context.strokeStyle = colours.ink;
      context.stroke();
      this.mark(x, y, colours);
    }
    context.restore();
  }

  private spotAt(at: Point): number | null {
    const spots = this.course.data.head.spots;
    const found = spots.findIndex((spot) => {
      const [x, y] = this.toScreen({ s: spot.middle_m[0], t: spot.middle_m[1] });
      return Math.hypot(x - at[0], y - at[1]) < 16;
    });
    return found < 0 ? null : found;
  }

  protected onPoint(at: Point): void {
    const { s, t } = this.toPlace(at);
    const { from, length } = this.state.window;
    if (s < from || s > from + length) return;
    const [right, left] = this.course.edges(s);
    this.canvas.style.cursor = this.spotAt(at) === null ? "crosshair" : "pointer";
    this.store.point({ s, t: Math.min(Math.max(t, right), left) }, false);
  }

  protected onClick(at: Point): void {
    const spot = this.spotAt(at);
    if (spot !== null) this.choose(spot);
    else this.onPoint(at);
  }

  protected onDrag(from: Point, to: Point): void {
    const { window } = this.state;
    this.store.setWindow(window.from - (to[0] - from[0]) / this.pixels[0], window.length);
  }

  protected onZoom(factor: number, about: Point): void {
    const { window } = this.state;
    const { s } = this.toPlace(about);
    const length = Math.min(Math.max(window.length / factor, 4), this.course.length);
    const share = (s - window.from) / window.length;
    this.store.setWindow(s - share * length, length);
  }

  protected onKey(event: KeyboardEvent): boolean {
    const by = event.shiftKey ? 10 : 1;
    const move: Record<string, Point> = {
      ArrowLeft: [-by, 0],
      ArrowRight: [by, 0],
      ArrowUp: [0, 0.25 * by],
      ArrowDown: [0, -0.25 * by],
      PageUp: [50, 0],
      PageDown: [-50, 0],
    };
    if (move[event.key]) this.store.move(...move[event.key]);
    else if (event.key === "+" || event.key === "=") this.zoom(1.5);
    else if (event.key === "-") this.zoom(1 / 1.5);
    else if (event.key === "0") this.store.setWindow(0, this.course.length);
    else return false;
    return true;
  }
}
