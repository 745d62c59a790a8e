// Triangles of one section of the course at one level of detail.

import type { Course } from "./course";

/** Floats a vertex: x, y, z, cell column, cell row, slope east, slope north. */
export const FLOATS = 7;
/** Sections are closed downwards at their ends by so much, metres, so that no gap shows where two
 *  levels of detail meet. */
const SKIRT_M = 0.03;

export interface Geometry {
  vertices: Float32Array;
  indices: Uint32Array;
}

interface Row {
  row: number;
  s: number;
}

/** Rows of a section, each `step`, and the first of the next. */
function rowsOf(course: Course, section: number, step: number): Row[] {
  const { firstRow, head } = course.data;
  const [from, end] = [firstRow[section], firstRow[section + 1]];
  const isLast = section + 1 === head.sections.length;
  const last = isLast && !course.closed ? end - 1 : end;
  const out: Row[] = [];
  for (let row = from; row < last; row += step) out.push({ row, s: row * course.sStep });
  out.push({ row: last % course.rows, s: Math.min(last * course.sStep, course.length) });
  return out;
}

function columnsOf(course: Course, step: number): number[] {
  const out: number[] = [];
  for (let column = 0; column < course.columns - 1; column += step) out.push(column);
  out.push(course.columns - 1);
  return out;
}

export function geometry(course: Course, section: number, step: number): Geometry {
  const rows = rowsOf(course, section, step);
  const columns = columnsOf(course, step);
  const builder = new Builder(course, section, step, columns);
  rows.forEach((row) => builder.addRow(row, 0));
  for (let k = 0; k + 1 < rows.length; k++) builder.addStrip(k, k + 1);
  // The skirts: the end rows once more, lower.
  const count = rows.length;
  builder.addRow(rows[0], SKIRT_M);
  builder.addRow(rows[count - 1], SKIRT_M);
  builder.addStrip(count, 0);
  builder.addStrip(count - 1, count + 1);
  return builder.finish();
}

class Builder {
  private readonly vertices: number[] = [];
  private readonly indices: number[] = [];
  private readonly t: number[] = [];

  constructor(
    private readonly course: Course,
    private readonly section: number,
    private readonly step: number,
    private readonly columns: number[],
  ) {}

  addRow({ row, s }: Row, lower: number): void {
    const { course, columns } = this;
    const { right, left, head } = course.data;
    const [from, length, cellRows] = head.sections[this.section];
    const f = course.frame(s);
    const clamp = (column: number) =>
      Math.min(Math.max(course.firstT + column * course.tStep, right[row]), left[row]);
    for (let k = 0; k < columns.length; k++) {
      const t = clamp(columns[k]);
      const z = course.node(row, columns[k]);
      const [along, across] = this.slopes(row, k, clamp);
      this.t.push(t);
      this.vertices.push(
        f.x - f.ty * t,
        f.y + f.tx * t,
        z - lower,
        (t - head.cells.first_t_m) / head.cells.cell_m,
        Math.min((s - from) / length, cellRows),
        along * f.tx - across * f.ty,
        along * f.ty + across * f.tx,
      );
    }
  }

  /** Slopes along and across from the nodes around. */
  private slopes(row: number, k: number, clamp: (column: number) => number): [number, number] {
    const { course, columns, step } = this;
    const near = (r: number) => {
      if (course.closed) return (r + course.rows) % course.rows;
      return Math.min(Math.max(r, 0), course.rows - 1);
    };
    const column = columns[k];
    const [before, after] = [near(row - step), near(row + step)];
    const along = course.node(after, column) - course.node(before, column);
    const [a, b] = [columns[Math.max(k - 1, 0)], columns[Math.min(k + 1, columns.length - 1)]];
    const across = course.node(row, b) - course.node(row, a);
    const width = clamp(b) - clamp(a);
    const slope = (rise: number, run: number) => (run > 1e-6 && rise === rise ? rise / run : 0);
    const run = course.closed ? 2 * step : Math.max(after - before, 1);
    return [slope(along, run * course.sStep), slope(across, width)];
  }

  /** Triangles between two rows, where all corners have a height. */
  addStrip(lower: number, upper: number): void {
    const n = this.columns.length;
    const has = (v: number) => this.vertices[v * FLOATS + 2] === this.vertices[v * FLOATS + 2];
    for (let k = 0; k + 1 < n; k++) {
      const [a, b, c, d] = [lower * n + k, lower * n + k + 1, upper * n + k, upper * n + k + 1];
      const isFlat = this.t[a] === this.t[b] && this.t[c] === this.t[d];
      if (isFlat || !has(a) || !has(d)) continue;
      if (has(c)) this.indices.push(a, d, c);
      if (has(b)) this.indices.push(a, b, d);
    }
  }

  finish(): Geometry {
    // A vertex without height is in no triangle; the card must not see NaN all the same.
    const vertices = Float32Array.from(this.vertices, (v) => (v === v ? v : 0));
    return { vertices, indices: Uint32Array.from(this.indices) };
  }
}
