// What is looked at: the one state that all views show and change.

import type { Course, Place } from "./course";
import type { Layer, Range } from "./layers";

export interface State {
  layer: Layer;
  /** Values of the layer by cell. */
  values: Float32Array;
  range: Range;
  /** The place that is pointed at. */
  cursor: Place | null;
  /** Index of the chosen spot. */
  spot: number | null;
  /** Where the unrolled ribbon starts and how much of it is shown, metres. */
  window: { from: number; length: number };
  exaggeration: number;
}

type Listener = (changed: ReadonlySet<keyof State>) => void;

export class Store {
  private readonly listeners: Listener[] = [];
  private changed = new Set<keyof State>();

  constructor(
    readonly state: State,
    readonly course: Course,
  ) {}

  listen(listener: Listener): void {
    this.listeners.push(listener);
  }

  /** Change the state; views hear of it before the next picture. */
  set(part: Partial<State>): void {
    Object.assign(this.state, part);
    if (this.changed.size === 0) requestAnimationFrame(() => this.tell());
    for (const key of Object.keys(part)) this.changed.add(key as keyof State);
  }

  private tell(): void {
    const changed = this.changed;
    this.changed = new Set();
    for (const listener of this.listeners) listener(changed);
  }

  /** Point at a place, and let the unrolled ribbon show it. */
  point(cursor: Place | null, follow = true): void {
    if (!cursor) {
      this.set({ cursor });
      return;
    }
    const place = { s: this.course.wrap(cursor.s), t: cursor.t };
    this.set({ cursor: place });
    if (follow && !this.isShown(place.s)) this.centre(place.s);
  }

  /** Move the place along and across, kept on the road. */
  move(ds: number, dt: number): void {
    const at = this.state.cursor ?? { s: this.state.window.from, t: 0 };
    const s = this.course.wrap(at.s + ds);
    const [right, left] = this.course.edges(s);
    this.point({ s, t: Math.min(Math.max(at.t + dt, right), left) });
  }

  isShown(s: number): boolean {
    const { from, length } = this.state.window;
    const past = s - from;
    const lap = this.course.length;
    return (this.course.closed ? past - Math.floor(past / lap) * lap : past) <= length && (this.course.closed || past >= 0);
  }

  /** Bring station `s` into the middle of the unrolled ribbon. */
  centre(s: number): void {
    this.setWindow(s - this.state.window.length / 2, this.state.window.length);
  }

  setWindow(from: number, length: number): void {
    const lap = this.course.length;
    const shown = Math.min(Math.max(length, 2), lap);
    const start = this.course.closed
      ? from - Math.floor(from / lap) * lap
      : Math.min(Math.max(from, 0), lap - shown);
    this.set({ window: { from: start, length: shown } });
  }
}
