// Elevation and crossfall along the whole course.

import { number, short, signed } from "./format";
import type { Store } from "./store";
import { linePath, svg, ticks } from "./svg";

const LEFT = 64;
const RIGHT = 12;
const PANEL = 74;
const GAP = 16;
/** Room for the marks of the spots, and below them the first title. */
const MARKS = 12;
const TOP = 34;
const BOTTOM = 34;
const HEIGHT = TOP + 2 * PANEL + GAP + BOTTOM;
/** Places along the course at which the strip is drawn at most. */
const MOST = 1600;

interface Panel {
  name: string;
  top: number;
  values: Float64Array;
  low: number;
  high: number;
}

export class Strip {
  private width = 800;
  private readonly s: Float64Array;
  private readonly panels: [Panel, Panel];
  /** The part that the unrolled ribbon shows, and its rest past the end of a lap. */
  private readonly windows = [0, 1].map(() => svg("rect", { class: "window", y: TOP - 4 }));
  private readonly line = svg("line", { class: "cursor" });
  private dragging = false;

  constructor(
    private readonly root: SVGSVGElement,
    private readonly store: Store,
    private readonly choose: (spot: number) => void,
  ) {
    const { course } = store;
    const count = Math.min(course.rows, MOST);
    this.s = Float64Array.from({ length: count }, (_, k) => (k * course.length) / (count - 1));
    const elevation = this.s.map((s) => course.height({ s, t: 0 }) + course.data.head.origin_m[2]);
    const crossfall = this.s.map((s) => course.crossfall(course.row(s)));
    this.panels = [
      panel("Elevation, m", TOP, elevation),
      panel("Crossfall, %", TOP + PANEL + GAP, crossfall),
    ];
    new ResizeObserver(() => this.resize()).observe(root);
    store.listen((changed) => {
      if (changed.has("cursor") || changed.has("window")) this.move();
      if (changed.has("spot")) this.build();
    });
    this.bind();
    this.build();
  }

  private x(s: number): number {
    return LEFT + (s / this.store.course.length) * (this.width - LEFT - RIGHT);
  }

  private resize(): void {
    const width = Math.round(this.root.getBoundingClientRect().width);
    if (width < 50 || width === this.width) return;
    this.width = width;
    this.build();
  }

  private build(): void {
    const { root } = this;
    root.setAttribute("viewBox", `0 0 ${this.width} ${HEIGHT}`);
    root.setAttribute("height", String(HEIGHT));
    root.replaceChildren(...this.windows);
    for (const p of this.panels) this.drawPanel(p);
    const bottom = HEIGHT - BOTTOM;
    for (const s of ticks(0, this.store.course.length, this.width / 110)) {
      const x = this.x(s);
      root.append(svg("line", { class: "tick", x1: x, x2: x, y1: bottom, y2: bottom + 5 }));
      root.append(svg("text", { x, y: bottom + 18, "text-anchor": "middle" }, short(s)));
    }
    root.append(svg("text", { x: LEFT - 8, y: bottom + 18, "text-anchor": "end" }, "s m"));
    this.drawSpots();
    root.append(this.line);
    this.move();
  }

  private drawPanel({ name, top, values, low, high }: Panel): void {
    const { root } = this;
    const y = (v: number) => top + PANEL - ((v - low) / (high - low)) * PANEL;
    const places = ticks(low, high, 5);
    const digits = Math.max(0, ...places.map((v) => (String(v).split(".")[1] ?? "").length));
    for (const v of places) {
      const at = y(v);
      root.append(svg("line", { class: "grid", x1: LEFT, x2: this.width - RIGHT, y1: at, y2: at }));
      const text = name.startsWith("Cross") ? signed(v, digits) : number(v, digits);
      root.append(svg("text", { x: LEFT - 8, y: at + 4, "text-anchor": "end" }, text));
    }
    const xs = this.s.map((s) => this.x(s));
    root.append(svg("path", { class: "curve", d: linePath(xs, values.map(y)) }));
    root.append(svg("text", { class: "title", x: LEFT, y: top - 5 }, name));
  }

  private drawSpots(): void {
    this.store.course.data.head.spots.forEach((spot, k) => {
      const x = this.x(spot.at_m[0]);
      const mark = svg("path", {
        class: k === this.store.state.spot ? "spot chosen" : "spot",
        d: `M${x} ${MARKS}l-5 -9h10z`,
      });
      mark.append(svg("title", {}, `Spot ${spot.id}`));
      mark.addEventListener("click", (event) => {
        event.stopPropagation();
        this.choose(k);
      });
      this.root.append(mark);
    });
  }

  /** The cursor's line and the part that the unrolled ribbon shows. */
  private move(): void {
    const { cursor, window } = this.store.state;
    const { course } = this.store;
    const height = 2 * PANEL + GAP + 8;
    const end = window.from + window.length;
    const parts = [
      [window.from, Math.min(end, course.length)],
      [0, end - course.length],
    ];
    this.windows.forEach((rect, k) => {
      const [from, to] = parts[k];
      rect.setAttribute("visibility", to > from ? "visible" : "hidden");
      rect.setAttribute("x", String(this.x(from)));
      rect.setAttribute("width", String(Math.max(this.x(to) - this.x(from), 2)));
      rect.setAttribute("height", String(height));
    });
    const s = cursor?.s ?? 0;
    const x = this.x(s);
    for (const [key, value] of Object.entries({ x1: x, x2: x, y1: TOP - 4, y2: TOP - 4 + height })) {
      this.line.setAttribute(key, String(value));
    }
    this.line.setAttribute("visibility", cursor ? "visible" : "hidden");
    this.root.setAttribute("aria-valuenow", s.toFixed(1));
    this.root.setAttribute("aria-valuetext", this.describe(s));
  }

  private describe(s: number): string {
    const { course } = this.store;
    const z = course.height({ s, t: 0 }) + course.data.head.origin_m[2];
    const fall = course.crossfall(course.row(s));
    return `s ${number(s, 1)} m, elevation ${number(z, 2)} m, crossfall ${signed(fall, 2)} %`;
  }

  private bind(): void {
    const { root, store } = this;
    const at = (event: PointerEvent) => {
      const box = root.getBoundingClientRect();
      const share = (event.clientX - box.left - LEFT) / (box.width - LEFT - RIGHT);
      return Math.min(Math.max(share, 0), 1) * store.course.length * 0.999999;
    };
    root.setAttribute("aria-valuemin", "0");
    root.setAttribute("aria-valuemax", store.course.length.toFixed(1));
    root.addEventListener("pointerdown", (event) => {
      this.dragging = true;
      root.setPointerCapture(event.pointerId);
      store.point({ s: at(event), t: 0 }, false);
      store.centre(at(event));
    });
    root.addEventListener("pointermove", (event) => {
      if (event.pointerType === "touch" && !this.dragging) return;
      store.point({ s: at(event), t: store.state.cursor?.t ?? 0 }, false);
      if (this.dragging) store.centre(at(event));
    });
    for (const end of ["pointerup", "pointercancel"]) {
      root.addEventListener(end, () => (this.dragging = false));
    }
    root.addEventListener("keydown", (event) => {
      const by = event.shiftKey ? 10 : 1;
      const move: Record<string, number> = {
        ArrowLeft: -by,
        ArrowRight: by,
        ArrowDown: -by,
        ArrowUp: by,
        PageDown: -50,
        PageUp: 50,
      };
      if (move[event.key]) store.move(move[event.key], 0);
      else if (event.key === "Home") store.point({ s: 0, t: 0 });
      else if (event.key === "End") store.point({ s: store.course.length - 1e-6, t: 0 });
      else return;
      event.preventDefault();
    });
  }
}

function panel(name: string, top: number, values: Float64Array): Panel {
  const known = values.filter((v) => v === v);
  let [low, high] = [Math.min(...known), Math.max(...known)];
  if (!(high > low)) [low, high] = [(low || 0) - 1, (high || 0) + 1];
  const room = 0.06 * (high - low);
  return { name, top, values, low: low - room, high: high + room };
}
