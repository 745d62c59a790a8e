// The course from above.

import type { Place } from "./course";
import { short } from "./format";
import { roundUp } from "./layers";
import { stepFor, withinBudget, type Painter, type Piece } from "./painter";
import type { Store } from "./store";
import { View, type Point, type Theme } from "./view";

/** How near the road a pointer has to be, pixels. */
const REACH = 14;

export class Plan extends View {
  private centre: Point = [0, 0];
  /** Pixels a metre; 0 until the size is known. */
  private zoomed = 0;

  constructor(
    canvas: HTMLCanvasElement,
    store: Store,
    painter: Painter | null,
    private readonly choose: (spot: number) => void,
  ) {
    super(canvas, store, painter, ["layer", "values", "range", "cursor", "spot"]);
  }

  private get fit(): number {
    const [west, south, east, north] = this.course.box;
    return Math.min((this.width - 60) / (east - west), (this.height - 60) / (north - south));
  }

  whole(): void {
    const [west, south, east, north] = this.course.box;
    this.centre = [(west + east) / 2, (south + north) / 2];
    this.zoomed = 0;
    this.redraw();
  }

  /** Show so many metres about a place. */
  show(place: Place, metres: number): void {
    this.centre = this.course.plan(place);
    this.zoomed = Math.min(this.width, this.height) / metres;
    this.redraw();
  }

  get pixelsPerMetre(): number {
    return this.pixels;
  }

  private get pixels(): number {
    return this.zoomed || this.fit;
  }

  private toScreen([x, y]: Point): Point {
    const k = this.pixels;
    return [this.width / 2 + (x - this.centre[0]) * k, this.height / 2 - (y - this.centre[1]) * k];
  }

  private toPlan([x, y]: Point): Point {
    const k = this.pixels;
    return [this.centre[0] + (x - this.width / 2) / k, this.centre[1] - (y - this.height / 2) / k];
  }

  private placeAt(at: Point): Place | null {
    const [x, y] = this.toPlan(at);
    return this.course.nearest(x, y, REACH / this.pixels);
  }

  private spotAt(at: Point): number | null {
    const spots = this.course.data.head.spots;
    const away = spots.map((spot) => {
      const [x, y] = this.toScreen(this.course.plan({ s: spot.middle_m[0], t: spot.middle_m[1] }));
      return Math.hypot(x - at[0], y - at[1]);
    });
    const best = away.indexOf(Math.min(...away));
    return best >= 0 && away[best] < 16 ? best : null;
  }

  override resize(always = false): void {
    if (this.zoomed === 0) {
      const [west, south, east, north] = this.course.box;
      this.centre = [(west + east) / 2, (south + north) / 2];
    }
    super.resize(always);
  }

  protected draw(colours: Theme): void {
    const k = this.pixels;
    const [cx, cy] = this.centre;
    const [sx, sy] = [(2 * k) / this.width, (2 * k) / this.height];
    // Depth of a plan: all heights lie between −1 and 1.
    const sz = 1e-6;
    const matrix = [sx, 0, 0, 0, 0, sy, 0, 0, 0, 0, -sz, 0, -cx * sx, -cy * sy, 0, 1];
    const step = stepFor(this.course, 1 / k);
    const pieces: Piece[] = this.visible().map((section) => ({ section, step }));
    this.paint({
      matrix,
      unrolled: false,
      exaggeration: 1,
      shading: 0,
      pieces: withinBudget(this.course, pieces),
    });
    this.edges(colours);
    this.stations(colours);
    this.spots(colours);
    this.scaleBar(colours);
    const { cursor } = this.state;
    if (cursor) this.mark(...this.toScreen(this.course.plan(cursor)), colours);
  }

  /** Sections that may be in the picture. */
  private visible(): number[] {
    const { sections } = this.course.data.head;
    const [right, left] = this.course.across;
    return sections.flatMap(([from, length, rows], section) => {
      const half = (length * rows) / 2;
      const [x, y] = this.toScreen(this.course.plan({ s: from + half, t: 0 }));
      const reach = (half + Math.max(-right, left)) * this.pixels;
      const isIn = x > -reach && y > -reach && x < this.width + reach && y < this.height + reach;
      return isIn ? [section] : [];
    });
  }

  private edges(colours: Theme): void {
    const { context, course } = this;
    const stride = Math.max(1, Math.floor(3 / this.pixels / course.sStep));
    context.lineWidth = 1;
    context.strokeStyle = colours.faint;
    for (const side of [course.data.right, course.data.left]) {
      context.beginPath();
      for (let row = 0; row < course.rows; row += stride) {
        const [x, y] = this.toScreen(course.plan({ s: row * course.sStep, t: side[row] }));
        if (row === 0) context.moveTo(x, y);
        else context.lineTo(x, y);
      }
      if (course.closed) context.closePath();
      context.stroke();
    }
  }

  /** Ticks with s outside the left edge. */
  private stations(colours: Theme): void {
    const { course, context } = this;
    const step = roundUp(90 / this.pixels);
    for (let s = 0; s < course.length - (course.closed ? step / 2 : -1e-9); s += step) {
      const [, left] = course.edges(s);
      const [ax, ay] = this.toScreen(course.plan({ s, t: left }));
      const f = course.frame(course.wrap(s));
      const [ox, oy] = [-f.ty, -f.tx];
      context.beginPath();
      context.moveTo(ax, ay);
      context.lineTo(ax + 7 * ox, ay + 7 * oy);
      this.stroke(1.5, colours);
      context.textAlign = ox > 0.4 ? "left" : ox < -0.4 ? "right" : "center";
      context.textBaseline = "middle";
      const text = s === 0 ? "s 0 m" : short(s);
      this.label(text, ax + 12 * ox, ay + 14 * oy, colours, colours.faint);
      if (s === 0) this.arrow(f, colours);
    }
  }

  /** Which way s runs. */
  private arrow(f: { x: number; y: number; tx: number; ty: number }, colours: Theme): void {
    const { context } = this;
    const [x, y] = this.toScreen([f.x, f.y]);
    const [ux, uy] = [f.tx, -f.ty];
    context.beginPath();
    context.moveTo(x + 16 * ux, y + 16 * uy);
    context.lineTo(x - 5 * uy, y + 5 * ux);
    context.lineTo(x + 5 * uy, y - 5 * ux);
    context.closePath();
    context.fillStyle = colours.ink;
    context.strokeStyle = colours.paper;
    context.lineWidth = 2;
    context.stroke();
    context.fill();
  }

  private spots(colours: Theme): void {
    const at = this.course.data.head.spots.map((spot, k) => {
      const [s, t] = spot.middle_m;
      const point = this.toScreen(this.course.plan({ s, t }));
      const half = 0.5 * Math.max(spot.length_m, spot.width_m) * this.pixels;
      return { point, reach: Math.max(half + 4, 8), k };
    });
    this.rings(at, colours);
  }

  private scaleBar(colours: Theme): void {
    const { context } = this;
    const metres = roundUp(60 / this.pixels);
    const length = metres * this.pixels;
    const [x, y] = [14, this.height - 16];
    context.beginPath();
    context.moveTo(x, y - 5);
    context.lineTo(x, y);
    context.lineTo(x + length, y);
    context.lineTo(x + length, y - 5);
    this.stroke(1.5, colours);
    context.textAlign = "left";
    context.textBaseline = "bottom";
    this.label(`${short(metres)} m`, x + 4, y - 4, colours);
    context.textAlign = "center";
    const north = [this.width - 18, 34] as const;
    context.beginPath();
    context.moveTo(north[0], north[1]);
    context.lineTo(north[0], north[1] - 16);
    context.moveTo(north[0] - 4, north[1] - 11);
    context.lineTo(north[0], north[1] - 16);
    context.lineTo(north[0] + 4, north[1] - 11);
    this.stroke(1.5, colours);
    this.label("N", north[0], north[1] + 15, colours);
  }

  protected onPoint(at: Point): void {
    const place = this.placeAt(at);
    this.canvas.style.cursor = this.spotAt(at) === null ? (place ? "crosshair" : "grab") : "pointer";
    if (place) this.store.point(place);
  }

  protected onClick(at: Point): void {
    const spot = this.spotAt(at);
    if (spot !== null) this.choose(spot);
    else this.onPoint(at);
  }

  protected onDrag(from: Point, to: Point): void {
    this.hold();
    this.centre[0] -= (to[0] - from[0]) / this.pixels;
    this.centre[1] += (to[1] - from[1]) / this.pixels;
    this.redraw();
  }

  private hold(): void {
    this.zoomed = this.pixels;
  }

  protected onZoom(factor: number, about: Point): void {
    const [x, y] = this.toPlan(about);
    this.zoomed = Math.min(Math.max(this.pixels * factor, this.fit / 2), 600);
    const [nx, ny] = this.toPlan(about);
    this.centre[0] += x - nx;
    this.centre[1] += y - ny;
    this.redraw();
  }

  protected onKey(event: KeyboardEvent): boolean {
    const pan: Record<string, Point> = {
      ArrowLeft: [60, 0],
      ArrowRight: [-60, 0],
      ArrowUp: [0, 60],
      ArrowDown: [0, -60],
    };
    if (pan[event.key]) this.onDrag([0, 0], pan[event.key]);
    else if (event.key === "+" || event.key === "=") this.zoom(1.4);
    else if (event.key === "-") this.zoom(1 / 1.4);
    else if (event.key === "0") this.whole();
    else return false;
    return true;
  }
}
