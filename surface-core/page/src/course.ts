// Where things are: from (s, t) to the plan and back, heights, crossfall.

import type { Unpacked } from "./data";

export interface Place {
  s: number;
  t: number;
}

export class Course {
  readonly length: number;
  readonly closed: boolean;
  readonly rows: number;
  readonly columns: number;
  readonly sStep: number;
  readonly tStep: number;
  readonly firstT: number;
  /** Least and greatest t of the edges. */
  readonly across: [number, number] = [Infinity, -Infinity];
  /** West, south, east, north of the edges. */
  readonly box: [number, number, number, number] = [Infinity, Infinity, -Infinity, -Infinity];
  readonly heights: [number, number] = [Infinity, -Infinity];

  constructor(readonly data: Unpacked) {
    const { head } = data;
    this.length = head.length_m;
    this.closed = head.closed;
    this.rows = data.right.length;
    this.columns = head.nodes.columns;
    this.sStep = head.nodes.s_step_m;
    this.tStep = head.nodes.t_step_m;
    this.firstT = head.nodes.first_t_m;
    this.measure();
  }

  private measure(): void {
    const { right, left, zRight, zLeft } = this.data;
    for (let row = 0; row < this.rows; row++) {
      this.across[0] = Math.min(this.across[0], right[row]);
      this.across[1] = Math.max(this.across[1], left[row]);
      for (const z of [zRight[row], zLeft[row]]) {
        if (z < this.heights[0]) this.heights[0] = z;
        if (z > this.heights[1]) this.heights[1] = z;
      }
      if (row % 8 > 0) continue;
      for (const t of [right[row], left[row]]) {
        const [x, y] = this.plan({ s: row * this.sStep, t });
        this.box[0] = Math.min(this.box[0], x);
        this.box[1] = Math.min(this.box[1], y);
        this.box[2] = Math.max(this.box[2], x);
        this.box[3] = Math.max(this.box[3], y);
      }
    }
    if (this.heights[0] > this.heights[1]) this.heights.fill(0);
  }

  /** Station on the lap, or between the ends. */
  wrap(s: number): number {
    if (!this.closed) return Math.min(Math.max(s, 0), this.length);
    return s - Math.floor(s / this.length) * this.length;
  }

  /** Point and unit tangent of the line: a cubic by places and headings. */
  frame(s: number): { x: number; y: number; tx: number; ty: number } {
    const { lineX: xs, lineY: ys, heading, head } = this.data;
    const step = head.line.step_m;
    const k = Math.min(Math.max(Math.floor(s / step), 0), xs.length - 2);
    const u = s / step - k;
    const [a, b] = [heading[k], heading[k + 1]];
    const cubic = (p: Float64Array, da: number, db: number) => {
      const [m0, m1] = [da * step, db * step];
      const c = p[k + 1] - p[k];
      return p[k] + u * (m0 + u * (3 * c - 2 * m0 - m1 + u * (m0 + m1 - 2 * c)));
    };
    const angle = a + (b - a) * u;
    return {
      x: cubic(xs, Math.cos(a), Math.cos(b)),
      y: cubic(ys, Math.sin(a), Math.sin(b)),
      tx: Math.cos(angle),
      ty: Math.sin(angle),
    };
  }

  /** Local x, y of a place. */
  plan({ s, t }: Place): [number, number] {
    const f = this.frame(this.wrap(s));
    return [f.x - f.ty * t, f.y + f.tx * t];
  }

  /** Row of nodes nearest to a station. */
  row(s: number): number {
    const row = Math.round(this.wrap(s) / this.sStep);
    return this.closed ? row % this.rows : Math.min(row, this.rows - 1);
  }

  /** Right and left edge at a station. */
  edges(s: number): [number, number] {
    const row = this.row(s);
    return [this.data.right[row], this.data.left[row]];
  }

  /** Height at a node or, beyond an edge, of the edge; NaN where there is none. */
  node(row: number, column: number): number {
    const { right, left, zRight, zLeft, z } = this.data;
    const t = this.firstT + column * this.tStep;
    if (t < right[row]) return zRight[row];
    if (t > left[row]) return zLeft[row];
    return z[row * this.columns + column];
  }

  /** Height at a place relative to the origin: of the nearest row, between its nodes. */
  height({ s, t }: Place): number {
    const row = this.row(s);
    const at = (t - this.firstT) / this.tStep;
    const column = Math.min(Math.max(Math.floor(at), 0), this.columns - 2);
    const [a, b] = [this.node(row, column), this.node(row, column + 1)];
    const share = Math.min(Math.max(at - column, 0), 1);
    if (a !== a || b !== b) return share < 0.5 ? a : b;
    return a + (b - a) * share;
  }

  /** Slope across a row by least squares over its nodes, per cent; NaN where there are too few. */
  crossfall(row: number): number {
    let [n, st, sz, stt, stz] = [0, 0, 0, 0, 0];
    const { right, left, z } = this.data;
    for (let column = 0; column < this.columns; column++) {
      const t = this.firstT + column * this.tStep;
      const height = z[row * this.columns + column];
      if (t < right[row] || t > left[row] || height !== height) continue;
      n += 1;
      st += t;
      sz += height;
      stt += t * t;
      stz += t * height;
    }
    const spread = n * stt - st * st;
    return n < 4 || spread <= 0 ? NaN : (100 * (n * stz - st * sz)) / spread;
  }

  /** The place on the course nearest to a point of the plan; null when further off than `reach`. */
  nearest(x: number, y: number, reach: number): Place | null {
    const { lineX: xs, lineY: ys, head } = this.data;
    const far = reach + Math.max(-this.across[0], this.across[1]) + head.line.step_m;
    let best: Place | null = null;
    let bestBeyond = Infinity;
    for (let k = 0; k + 1 < xs.length; k++) {
      const [dx, dy] = [x - xs[k], y - ys[k]];
      if (Math.abs(dx) > far || Math.abs(dy) > far) continue;
      const place = this.foot(x, y, k);
      if (!place) continue;
      const [right, left] = this.edges(place.s);
      const beyond = Math.max(right - place.t, place.t - left, 0);
      const isNearer = beyond < bestBeyond - 1e-9;
      const isEqual = Math.abs(beyond - bestBeyond) <= 1e-9;
      if (beyond <= reach && (isNearer || (isEqual && best && Math.abs(place.t) < Math.abs(best.t)))) {
        best = { s: place.s, t: Math.min(Math.max(place.t, right), left) };
        bestBeyond = beyond;
      }
    }
    return best;
  }

  /** The foot of a point on the line's piece `k`; null when it lies beyond its ends. */
  private foot(x: number, y: number, k: number): Place | null {
    const { lineX: xs, lineY: ys, heading, head } = this.data;
    const step = head.line.step_m;
    const ahead = (j: number) =>
      (x - xs[j]) * Math.cos(heading[j]) + (y - ys[j]) * Math.sin(heading[j]);
    const [a, b] = [ahead(k), ahead(k + 1)];
    if (a < 0 || b > 0 || a - b < 1e-9) return null;
    const s = (k + a / (a - b)) * step;
    const f = this.frame(s);
    return { s, t: -(x - f.x) * f.ty + (y - f.y) * f.tx };
  }
}
