// What the build packed into the page, unpacked: see surface-core/src/export/page/pack.rs.

export interface ProfileHead {
  from_m: number;
  step_m: number;
  samples: number;
  points: number;
  reach_m: number;
}

export interface SpotHead {
  id: number;
  at_m: [number, number];
  xy_m: [number, number];
  middle_m: [number, number];
  area_m2: number;
  length_m: number;
  width_m: number;
  worst_mm: number;
  mean_mm: number;
  cells: number;
  points: number;
  why: string;
  across: ProfileHead;
  along: ProfileHead;
}

export interface Head {
  length_m: number;
  closed: boolean;
  origin_m: [number, number, number];
  line: { step_m: number; count: number; point_unit_m: number; heading_unit_rad: number };
  nodes: {
    s_step_m: number;
    t_step_m: number;
    first_t_m: number;
    columns: number;
    height_unit_m: number;
    edge_unit_m: number;
    spacing_m: number;
  };
  cells: { first_t_m: number; cell_m: number; columns: number };
  layers: { name: string; unit: number; smooth: boolean }[];
  spots: SpotHead[];
  /** Start of the cells, their length along s, rows of cells, rows of nodes; by section. */
  sections: [number, number, number, number][];
  colours: { diverging: string[]; below: string; above: string };
}

/** The mesh along a line through a spot, and the points beside it. */
export interface Profile {
  from: number;
  step: number;
  /** Heights of the mesh, metres; NaN where there is none. */
  z: Float64Array;
  along: Float64Array;
  d: Float64Array;
  reach: number;
}

/** Height steps of profiles, metres, and place steps: fixed by the packing. */
const PROFILE_HEIGHT_M = 5e-5;
const PROFILE_PLACE_M = 1e-3;

function text(name: string): string {
  return document.getElementById(`data-${name}`)?.textContent ?? "";
}

export function json<T>(name: string): T {
  return JSON.parse(text(name)) as T;
}

function fromBase64(coded: string): Uint8Array<ArrayBuffer> {
  const quick = Uint8Array as unknown as { fromBase64?: (text: string) => Uint8Array<ArrayBuffer> };
  if (quick.fromBase64) return quick.fromBase64(coded);
  const plain = atob(coded);
  const out = new Uint8Array(plain.length);
  for (let k = 0; k < plain.length; k++) out[k] = plain.charCodeAt(k);
  return out;
}

/** Stands for no value among whole numbers. */
const NONE = -0x80000000;

type Floats = Float32Array | Float64Array;

/** The symbols of a stream, one by one. */
export class Symbols {
  private at = 0;

  constructor(private readonly bytes: Uint8Array) {}

  static async of(name: string): Promise<Symbols> {
    const element = document.getElementById(`data-${name}`);
    const packed = new Blob([fromBase64(text(name))]);
    // The text is not needed again, and it is most of the page's size.
    if (element) element.textContent = "";
    const inflated = packed.stream().pipeThrough(new DecompressionStream("deflate-raw"));
    return new Symbols(new Uint8Array(await new Response(inflated).arrayBuffer()));
  }

  /** The next difference; NONE where there is no value. Differences have less than 31 bits. */
  private next(): number {
    const { bytes } = this;
    let byte = bytes[this.at++];
    let symbol = byte & 0x7f;
    for (let shift = 7; byte >= 0x80; shift += 7) {
      byte = bytes[this.at++];
      symbol |= (byte & 0x7f) << shift;
    }
    if (symbol === 0) return NONE;
    const z = (symbol - 1) | 0;
    return (z >>> 1) ^ -(z & 1);
  }

  /** Values, each a difference from the last one that there was. */
  inTurn(out: Floats, from: number, count: number, unit: number): void {
    let last = 0;
    for (let k = from; k < from + count; k++) {
      const difference = this.next();
      if (difference === NONE) {
        out[k] = NaN;
      } else {
        last += difference;
        out[k] = last * unit;
      }
    }
  }

  plainly(out: Floats, from: number, count: number, unit: number): void {
    for (let k = from; k < from + count; k++) {
      const value = this.next();
      out[k] = value === NONE ? NaN : value * unit;
    }
  }

  /** Rows of values foretold by the plane through their neighbours, put into `out` at `from`. */
  inRows(out: Float32Array, from: number, rows: number, columns: number, unit: number): void {
    let before = new Int32Array(columns).fill(NONE);
    let now = new Int32Array(columns);
    let last = 0;
    let k = from;
    for (let row = 0; row < rows; row++) {
      let left = NONE;
      let between = NONE;
      for (let column = 0; column < columns; column++, k++) {
        const above = before[column];
        const difference = this.next();
        let value = NONE;
        if (difference !== NONE) {
          const isPlane = left !== NONE && above !== NONE && between !== NONE;
          last = value = (isPlane ? left + above - between : last) + difference;
        }
        out[k] = value === NONE ? NaN : value * unit;
        now[column] = left = value;
        between = above;
      }
      [before, now] = [now, before];
    }
  }
}

/** Everything but the layers, unpacked. */
export interface Unpacked {
  head: Head;
  lineX: Float64Array;
  lineY: Float64Array;
  heading: Float64Array;
  /** Heights of the nodes by row and column, metres; NaN where there is none. */
  z: Float32Array;
  /** By row of nodes: right and left edge, and the heights there. */
  right: Float32Array;
  left: Float32Array;
  zRight: Float32Array;
  zLeft: Float32Array;
  /** First row of nodes of each section, and one past the last. */
  firstRow: number[];
  /** First cell of each section in a layer, and one past the last. */
  firstCell: number[];
  profiles: { across: Profile; along: Profile }[];
}

export async function unpack(): Promise<Unpacked> {
  const head = json<Head>("head");
  const [line, heights, edges, profiles] = await Promise.all(
    ["line", "heights", "edges", "profiles"].map((name) => Symbols.of(name)),
  );
  const firstRow = [0];
  const firstCell = [0];
  for (const [, , cellRows, nodeRows] of head.sections) {
    firstRow.push(firstRow[firstRow.length - 1] + nodeRows);
    firstCell.push(firstCell[firstCell.length - 1] + cellRows * head.cells.columns);
  }
  const count = head.line.count;
  const column = () => new Float64Array(count);
  const [lineX, lineY, heading] = [column(), column(), column()];
  line.inTurn(lineX, 0, count, head.line.point_unit_m);
  line.inTurn(lineY, 0, count, head.line.point_unit_m);
  line.inTurn(heading, 0, count, head.line.heading_unit_rad);
  return {
    head,
    lineX,
    lineY,
    heading,
    z: unpackHeights(heights, head, firstRow),
    ...unpackEdges(edges, head, firstRow),
    firstRow,
    firstCell,
    profiles: head.spots.map((spot) => ({
      across: unpackProfile(profiles, spot.across),
      along: unpackProfile(profiles, spot.along),
    })),
  };
}

function unpackHeights(symbols: Symbols, head: Head, firstRow: number[]): Float32Array {
  const { columns, height_unit_m } = head.nodes;
  const out = new Float32Array(firstRow[firstRow.length - 1] * columns);
  for (let section = 0; section < head.sections.length; section++) {
    const rows = firstRow[section + 1] - firstRow[section];
    symbols.inRows(out, firstRow[section] * columns, rows, columns, height_unit_m);
  }
  return out;
}

function unpackEdges(symbols: Symbols, head: Head, firstRow: number[]) {
  const rows = firstRow[firstRow.length - 1];
  const column = () => new Float32Array(rows);
  const out = { right: column(), left: column(), zRight: column(), zLeft: column() };
  const { edge_unit_m, height_unit_m } = head.nodes;
  for (let section = 0; section < head.sections.length; section++) {
    const from = firstRow[section];
    const count = firstRow[section + 1] - from;
    symbols.inTurn(out.right, from, count, edge_unit_m);
    symbols.inTurn(out.left, from, count, edge_unit_m);
    symbols.inTurn(out.zRight, from, count, height_unit_m);
    symbols.inTurn(out.zLeft, from, count, height_unit_m);
  }
  return out;
}

function unpackProfile(symbols: Symbols, head: ProfileHead): Profile {
  const z = new Float64Array(head.samples);
  const along = new Float64Array(head.points);
  const d = new Float64Array(head.points);
  symbols.inTurn(z, 0, head.samples, PROFILE_HEIGHT_M);
  symbols.inTurn(along, 0, head.points, PROFILE_PLACE_M);
  symbols.plainly(d, 0, head.points, PROFILE_HEIGHT_M);
  return { from: head.from_m, step: head.step_m, z, along, d, reach: head.reach_m };
}

/** The values of a layer by cell, in its unit; NaN where there is none. */
export async function unpackLayer(data: Unpacked, name: string): Promise<Float32Array> {
  const { head, firstCell } = data;
  const layer = head.layers.find((l) => l.name === name);
  const out = new Float32Array(firstCell[firstCell.length - 1]);
  if (!layer) return out.fill(NaN);
  const symbols = await Symbols.of(name);
  for (let section = 0; section < head.sections.length; section++) {
    const from = firstCell[section];
    const count = firstCell[section + 1] - from;
    if (layer.smooth) symbols.inTurn(out, from, count, layer.unit);
    else symbols.plainly(out, from, count, layer.unit);
  }
  return out;
}
