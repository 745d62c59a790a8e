// What all canvases have in common: size, redrawing, pointers, keys, theme.

import type { Painter, Scene } from "./painter";
import type { State, Store } from "./store";

export interface Theme {
  paper: string;
  ink: string;
  faint: string;
  hair: string;
  accent: string;
  none: string;
}

export function theme(): Theme {
  const style = getComputedStyle(document.documentElement);
  const get = (name: string) => style.getPropertyValue(`--${name}`).trim();
  return {
    paper: get("paper"),
    ink: get("ink"),
    faint: get("faint"),
    hair: get("hair"),
    accent: get("accent"),
    none: get("none"),
  };
}

export type Point = [number, number];

export abstract class View {
  protected readonly context: CanvasRenderingContext2D;
  /** Size in CSS pixels. */
  protected width = 1;
  protected height = 1;
  private waiting = false;
  private pointed: Point | null = null;
  private readonly pointers = new Map<number, Point>();
  private travelled = 0;
  /** Triangles of the last picture. */
  triangles = 0;

  constructor(
    readonly canvas: HTMLCanvasElement,
    protected readonly store: Store,
    protected readonly painter: Painter | null,
    private readonly watches: (keyof State)[],
  ) {
    this.context = canvas.getContext("2d") as CanvasRenderingContext2D;
    store.listen((changed) => {
      if (this.watches.some((key) => changed.has(key))) this.redraw();
    });
    new ResizeObserver(() => this.resize()).observe(canvas);
    this.bindPointers();
    canvas.addEventListener("keydown", (event) => {
      if (event.altKey || event.ctrlKey || event.metaKey) return;
      if (this.onKey(event)) event.preventDefault();
    });
  }

  protected get state(): State {
    return this.store.state;
  }

  protected get course() {
    return this.store.course;
  }

  /** Pixels of the screen that a metre takes in the middle of the picture. */
  abstract get pixelsPerMetre(): number;
  protected abstract draw(theme: Theme): void;
  /** A pointer over the view, nothing pressed. */
  protected abstract onPoint(at: Point): void;
  /** Pressed and let go without moving. */
  protected abstract onClick(at: Point): void;
  protected abstract onDrag(from: Point, to: Point, event: PointerEvent): void;
  /** Make things larger by a factor about a point. */
  protected abstract onZoom(factor: number, about: Point): void;
  protected abstract onKey(event: KeyboardEvent): boolean;

  redraw(): void {
    if (this.waiting) return;
    this.waiting = true;
    requestAnimationFrame(() => this.drawNow());
  }

  drawNow(): void {
    this.waiting = false;
    this.context.setTransform(this.scale, 0, 0, this.scale, 0, 0);
    this.context.clearRect(0, 0, this.width, this.height);
    this.draw(theme());
  }

  /** Device pixels a CSS pixel; paper asks for more. */
  protected get scale(): number {
    const most = matchMedia("print").matches ? 3 : 2;
    return Math.min(Math.max(window.devicePixelRatio, matchMedia("print").matches ? 2 : 1), most);
  }

  /** Take the size that the page gives, and draw where it is new or `always`. */
  resize(always = false): void {
    const box = this.canvas.getBoundingClientRect();
    if (box.width < 1 || box.height < 1) return;
    const isNew = this.canvas.width !== Math.round(box.width * this.scale);
    const isHigher = this.canvas.height !== Math.round(box.height * this.scale);
    if (!isNew && !isHigher && !always) return;
    this.width = box.width;
    this.height = box.height;
    this.canvas.width = Math.round(box.width * this.scale);
    this.canvas.height = Math.round(box.height * this.scale);
    // A canvas that has got a new size is empty: wait for nothing.
    this.drawNow();
  }

  /** Draw the course on the graphics card and lay it on the canvas. */
  protected paint(scene: Omit<Scene, "width" | "height">): void {
    if (!this.painter) return;
    const [width, height] = [this.canvas.width, this.canvas.height];
    this.triangles = this.painter.draw({ ...scene, width, height });
    const source = this.painter.canvas;
    const top = source.height - height;
    this.context.drawImage(source, 0, top, width, height, 0, 0, this.width, this.height);
  }

  protected get middle(): Point {
    return [this.width / 2, this.height / 2];
  }

  zoom(factor: number): void {
    this.onZoom(factor, this.middle);
  }

  private at(event: MouseEvent): Point {
    const box = this.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  /** A page that is scrolled is not to be caught by a view: wheel and single fingers belong to
   *  the view that has been clicked. */
  private get isHeld(): boolean {
    return document.activeElement === this.canvas;
  }

  private bindPointers(): void {
    const { canvas } = this;
    canvas.addEventListener("pointerdown", (event) => {
      this.pointers.set(event.pointerId, this.at(event));
      this.travelled = 0;
      if (event.pointerType !== "touch" || this.isHeld) canvas.setPointerCapture(event.pointerId);
    });
    canvas.addEventListener("pointermove", (event) => this.moved(event));
    canvas.addEventListener("pointerup", (event) => {
      const isClick = this.pointers.size === 1 && this.travelled < 5;
      this.pointers.delete(event.pointerId);
      if (isClick) {
        canvas.focus({ preventScroll: true });
        this.onClick(this.at(event));
      }
    });
    canvas.addEventListener("pointercancel", (event) => this.pointers.delete(event.pointerId));
    canvas.addEventListener(
      "wheel",
      (event) => {
        if (!this.isHeld && !event.ctrlKey) return;
        event.preventDefault();
        this.onZoom(Math.exp(-event.deltaY * (event.deltaMode === 1 ? 0.05 : 0.0016)), this.at(event));
      },
      { passive: false },
    );
  }

  /** Pointers move more often than pictures are drawn: the last place counts. */
  private pointSoon(at: Point): void {
    if (!this.pointed) {
      requestAnimationFrame(() => {
        if (this.pointed) this.onPoint(this.pointed);
        this.pointed = null;
      });
    }
    this.pointed = at;
  }

  private moved(event: PointerEvent): void {
    const to = this.at(event);
    const from = this.pointers.get(event.pointerId);
    if (!from) {
      if (event.pointerType !== "touch") this.pointSoon(to);
      return;
    }
    const others = [...this.pointers].filter(([id]) => id !== event.pointerId);
    this.pointers.set(event.pointerId, to);
    this.travelled += Math.hypot(to[0] - from[0], to[1] - from[1]);
    if (others.length === 1) {
      const other = others[0][1];
      const apart = (p: Point) => Math.max(Math.hypot(p[0] - other[0], p[1] - other[1]), 1);
      this.onZoom(apart(to) / apart(from), other);
    } else if (others.length === 0 && this.travelled >= 5) {
      if (event.pointerType !== "touch" || this.isHeld) this.onDrag(from, to, event);
    }
  }

  /** Stroke the current path so that it is seen on any ground. */
  protected stroke(width: number, colours: Theme, colour = colours.ink): void {
    const { context } = this;
    for (const [w, c] of [
      [width + 2.5, colours.paper],
      [width, colour],
    ] as const) {
      context.lineWidth = w;
      context.strokeStyle = c;
      context.stroke();
    }
  }

  /** Text that stays legible on any ground. */
  protected label(text: string, x: number, y: number, colours: Theme, colour = colours.ink): void {
    const { context } = this;
    context.save();
    context.font = "12px system-ui, sans-serif";
    context.lineJoin = "round";
    context.lineWidth = 3.5;
    context.strokeStyle = colours.paper;
    context.strokeText(text, x, y);
    context.fillStyle = colour;
    context.fillText(text, x, y);
    context.restore();
  }

  /** Rings with numbers; a spot close to a worse one is only a dot, but for the chosen one. */
  protected rings(at: { point: Point; reach: number; k: number }[], colours: Theme): void {
    const { context, state } = this;
    const { spots } = this.course.data.head;
    const drawn: Point[] = [];
    const crowded = ([x, y]: Point) => drawn.some((p) => Math.hypot(p[0] - x, p[1] - y) < 20);
    context.textAlign = "left";
    context.textBaseline = "bottom";
    const chosenFirst = [...at].sort((a, b) => Number(b.k === state.spot) - Number(a.k === state.spot));
    for (const { point, reach, k } of chosenFirst) {
      const [x, y] = point;
      if (crowded(point)) {
        context.beginPath();
        context.arc(x, y, 2, 0, 2 * Math.PI);
        this.stroke(2, colours, colours.accent);
        continue;
      }
      drawn.push(point);
      this.ring(x, y, reach, reach, colours, k === state.spot);
      this.label(String(spots[k].id), x + 0.72 * reach + 3, y - 0.72 * reach, colours, colours.accent);
    }
  }

  protected ring(x: number, y: number, rx: number, ry: number, colours: Theme, chosen: boolean): void {
    this.context.beginPath();
    this.context.ellipse(x, y, rx, ry, 0, 0, 2 * Math.PI);
    this.stroke(chosen ? 3 : 2, colours, colours.accent);
  }

  /** Cross hairs at the place that is pointed at. */
  protected mark(x: number, y: number, colours: Theme): void {
    const { context } = this;
    context.beginPath();
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      context.moveTo(x + 4 * dx, y + 4 * dy);
      context.lineTo(x + 12 * dx, y + 12 * dy);
    }
    this.stroke(2, colours);
  }
}
