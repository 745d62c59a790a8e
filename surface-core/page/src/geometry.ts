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
  const builder = new Builder(course, section, step, columns, rows.length + 2);
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
  private readonly vertices: Float32Array;
  private readonly indices: Uint32Array;
  private readonly t: Float32Array;
  /** Vertices without a height, which are in no triangle. */
  private readonly holes: Uint8Array;
  private vertexCount = 0;
  private indexCount = 0;

  constructor(
    private readonly course: Course,
    private readonly section: number,
    private readonly step: number,
    private readonly columns: number[],
    rows: number,
  ) {
    const most = rows * columns.length;
    this.vertices = new Float32Array(most * FLOATS);
    this.indices = new Uint32Array(most * 6);
    this.t = new Float32Array(most);
    this.holes = new Uint8Array(most);
  }

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
      const v = this.vertexCount++;
      this.t[v] = t;
      // The card must not see NaN, although no triangle has such a corner.
      this.holes[v] = z === z ? 0 : 1;
      const { vertices } = this;
      let at = v * FLOATS;
      vertices[at++] = f.x - f.ty * t;
      vertices[at++] = f.y + f.tx * t;
      vertices[at++] = z === z ? z - lower : 0;
      vertices[at++] = (t - head.cells.first_t_m) / head.cells.cell_m;
      vertices[at++] = Math.min((s - from) / length, cellRows);
      vertices[at++] = along * f.tx - across * f.ty;
      vertices[at++] = along * f.ty + across * f.tx;
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
    const { t, holes } = this;
    for (let k = 0; k + 1 < n; k++) {
      const [a, b, c, d] = [lower * n + k, lower * n + k + 1, upper * n + k, upper * n + k + 1];
      const isFlat = t[a] === t[b] && t[c] === t[d];
      if (isFlat || holes[a] || holes[d]) continue;
      if (!holes[c]) this.addTriangle(a, d, c);
      if (!holes[b]) this.addTriangle(a, b, d);
    }
  }

  private addTriangle(a: number, b: number, c: number): void {
    this.indices[this.indexCount++] = a;
    this.indices[this.indexCount++] = b;
    this.indices[this.indexCount++] = c;
  }

  finish(): Geometry {
    const { vertices, indices, indexCount } = this;
    return { vertices, indices: indices.slice(0, indexCount) };
  }
}
