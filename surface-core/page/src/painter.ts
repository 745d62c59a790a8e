// Draws the course on the graphics card: sections at the levels of detail that a view asks for,
// coloured by the cells of a layer.

import * as twgl from "twgl.js";

import type { Course } from "./course";
import { FLOATS, geometry } from "./geometry";

/** Triangles in view at most. */
export const MOST_TRIANGLES = 1_000_000;
/** Triangles kept on the card; older ones go. */
const MOST_KEPT = 2_500_000;
/** The coarsest level of detail: each so many-th node. */
export const COARSEST = 32;
/** Width of the texture that holds all cells, pixels: every card has it. */
const TEXTURE_WIDTH = 2048;

const VERTEX = `#version 300 es
in vec3 position;
in vec2 cell;
in vec2 slope;
uniform mat4 matrix;
uniform float exaggeration;
uniform bool unrolled;
uniform vec4 unroll; // s of row 0, metres a row, t of column 0, metres a column
out vec2 at;
out vec2 grade;
void main() {
  vec3 p = vec3(position.xy, position.z * exaggeration);
  if (unrolled) p = vec3(unroll.x + unroll.y * cell.y, unroll.z + unroll.w * cell.x, 0.0);
  at = cell;
  grade = slope * exaggeration;
  gl_Position = matrix * vec4(p, 1.0);
}`;

const FRAGMENT = `#version 300 es
precision highp float;
in vec2 at;
in vec2 grade;
uniform sampler2D cells;
uniform sampler2D colours;
uniform vec2 corner; // of the section's cells in the texture
uniform vec2 size;
uniform float shading;
out vec4 colour;
void main() {
  vec2 inside = clamp(floor(at), vec2(0.0), size - 1.0);
  float entry = texelFetch(cells, ivec2(corner + inside), 0).r * 255.0;
  vec3 c = texelFetch(colours, ivec2(int(entry + 0.5), 0), 0).rgb;
  if (entry < 0.5 && mod(gl_FragCoord.x + gl_FragCoord.y, 8.0) < 2.5) c *= 0.72;
  vec3 normal = normalize(vec3(-grade, 1.0));
  float light = 0.4 + 0.8 * max(dot(normal, normalize(vec3(-0.55, 0.5, 0.8))), 0.0);
  colour = vec4(c * mix(1.0, light, shading), 1.0);
}`;

export interface Piece {
  section: number;
  step: number;
  /** Added to s in the unrolled view, metres. */
  shift?: number;
}

export interface Scene {
  width: number;
  height: number;
  matrix: Float32Array | number[];
  unrolled: boolean;
  exaggeration: number;
  shading: number;
  pieces: Piece[];
}

interface Kept {
  info: twgl.BufferInfo;
  vao: WebGLVertexArrayObject;
  triangles: number;
  used: number;
}

export class Painter {
  readonly canvas = document.createElement("canvas");
  private readonly gl: WebGL2RenderingContext;
  private readonly program: twgl.ProgramInfo;
  private cells: WebGLTexture | null = null;
  private colours: WebGLTexture | null = null;
  private kept = new Map<string, Kept>();
  private keptTriangles = 0;
  private clock = 0;
  /** Most rows of cells that a section has. */
  private readonly tileRows: number;

  private constructor(
    gl: WebGL2RenderingContext,
    private readonly course: Course,
  ) {
    this.gl = gl;
    this.canvas = gl.canvas as HTMLCanvasElement;
    this.tileRows = Math.max(...course.data.head.sections.map((s) => s[2]));
    // Everything on the card is gone with a lost context; the page is quick to make anew.
    this.canvas.addEventListener("webglcontextlost", (event) => event.preventDefault());
    this.canvas.addEventListener("webglcontextrestored", () => location.reload());
    this.program = twgl.createProgramInfo(gl, [VERTEX, FRAGMENT]);
  }

  /** null where there is no WebGL 2. */
  static of(course: Course): Painter | null {
    const canvas = document.createElement("canvas");
    const gl = canvas.getContext("webgl2", { antialias: true, alpha: true });
    return gl && new Painter(gl, course);
  }

  /** Tiles of cells in the texture: where a section's first cell is. */
  private corner(section: number): [number, number] {
    const { columns } = this.course.data.head.cells;
    const across = Math.max(1, Math.floor(TEXTURE_WIDTH / columns));
    return [(section % across) * columns, Math.floor(section / across) * this.tileRows];
  }

  /** The table entries of all cells. */
  setCells(entries: Uint8Array): void {
    const { head, firstCell } = this.course.data;
    const { columns } = head.cells;
    const width = Math.max(TEXTURE_WIDTH, columns);
    const height = this.corner(head.sections.length - 1)[1] + this.tileRows;
    const pixels = new Uint8Array(width * height);
    head.sections.forEach(([, , rows], section) => {
      const [x, y] = this.corner(section);
      for (let row = 0; row < rows; row++) {
        const from = firstCell[section] + row * columns;
        pixels.set(entries.subarray(from, from + columns), (y + row) * width + x);
      }
    });
    this.cells = this.texture(this.cells, width, height, pixels, true);
  }

  setColours(table: Uint8Array): void {
    this.colours = this.texture(this.colours, 256, 1, table, false);
  }

  private texture(
    old: WebGLTexture | null,
    width: number,
    height: number,
    src: Uint8Array,
    single: boolean,
  ): WebGLTexture {
    const { gl } = this;
    if (old) gl.deleteTexture(old);
    gl.pixelStorei(gl.UNPACK_ALIGNMENT, 1);
    return twgl.createTexture(gl, {
      width,
      height,
      src,
      internalFormat: single ? gl.R8 : gl.RGBA8,
      format: single ? gl.RED : gl.RGBA,
      type: gl.UNSIGNED_BYTE,
      minMag: gl.NEAREST,
      wrap: gl.CLAMP_TO_EDGE,
      auto: false,
    });
  }

  /** Draw a scene into the lower left corner of the canvas; how many triangles there were. */
  draw(scene: Scene): number {
    const { gl, canvas } = this;
    if (canvas.width < scene.width) canvas.width = scene.width;
    if (canvas.height < scene.height) canvas.height = scene.height;
    gl.viewport(0, 0, scene.width, scene.height);
    gl.enable(gl.SCISSOR_TEST);
    gl.scissor(0, 0, scene.width, scene.height);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    if (!this.cells || !this.colours) return 0;
    gl.enable(gl.DEPTH_TEST);
    gl.useProgram(this.program.program);
    twgl.setUniforms(this.program, {
      matrix: scene.matrix,
      exaggeration: scene.exaggeration,
      unrolled: scene.unrolled,
      shading: scene.shading,
      cells: this.cells,
      colours: this.colours,
    });
    let triangles = 0;
    for (const piece of scene.pieces) triangles += this.drawPiece(piece);
    this.forget();
    return triangles;
  }

  private drawPiece({ section, step, shift }: Piece): number {
    const { gl } = this;
    const { head } = this.course.data;
    const [from, length, rows] = head.sections[section];
    const { first_t_m, cell_m, columns } = head.cells;
    const kept = this.geometry(section, step);
    if (kept.triangles === 0) return 0;
    twgl.setUniforms(this.program, {
      corner: this.corner(section),
      size: [columns, rows],
      unroll: [from + (shift ?? 0), length, first_t_m, cell_m],
    });
    gl.bindVertexArray(kept.vao);
    twgl.drawBufferInfo(gl, kept.info);
    gl.bindVertexArray(null);
    return kept.triangles;
  }

  private geometry(section: number, step: number): Kept {
    const key = `${section}/${step}`;
    let found = this.kept.get(key);
    if (!found) {
      found = this.upload(section, step);
      this.kept.set(key, found);
      this.keptTriangles += found.triangles;
    }
    found.used = ++this.clock;
    return found;
  }

  private upload(section: number, step: number): Kept {
    const { gl } = this;
    const { vertices, indices } = geometry(this.course, section, step);
    const buffer = twgl.createBufferFromTypedArray(gl, vertices);
    const attribute = (numComponents: number, offset: number) => ({
      buffer,
      numComponents,
      type: gl.FLOAT,
      stride: 4 * FLOATS,
      offset: 4 * offset,
    });
    const info: twgl.BufferInfo = {
      numElements: indices.length,
      elementType: gl.UNSIGNED_INT,
      indices: twgl.createBufferFromTypedArray(gl, indices, gl.ELEMENT_ARRAY_BUFFER),
      attribs: { position: attribute(3, 0), cell: attribute(2, 3), slope: attribute(2, 5) },
    };
    const vao = twgl.createVAOFromBufferInfo(gl, this.program, info) as WebGLVertexArrayObject;
    return { info, vao, triangles: indices.length / 3, used: 0 };
  }

  /** Let go of what was not drawn for longest, while there is too much. */
  private forget(): void {
    if (this.keptTriangles <= MOST_KEPT) return;
    const { gl } = this;
    const oldest = [...this.kept.entries()].sort((a, b) => a[1].used - b[1].used);
    for (const [key, kept] of oldest) {
      if (this.keptTriangles <= MOST_KEPT / 2) break;
      gl.deleteVertexArray(kept.vao);
      gl.deleteBuffer(kept.info.attribs?.position.buffer as WebGLBuffer);
      gl.deleteBuffer(kept.info.indices as WebGLBuffer);
      this.kept.delete(key);
      this.keptTriangles -= kept.triangles;
    }
  }
}

/** The level of detail for a flat view: colours are those of the cells whatever it is, and only
 *  outlines ask for nodes, about four pixels apart. */
export function stepFor(course: Course, metresPerPixel: number): number {
  const wanted = (4 * metresPerPixel) / course.tStep;
  let step = 1;
  while (step < COARSEST && 2 * step <= wanted) step *= 2;
  return step;
}

/** Triangles of a section at a level of detail, about. */
export function estimate(course: Course, section: number, step: number): number {
  const rows = course.data.head.sections[section][3] / step + 3;
  return 2 * rows * (course.columns / step + 1);
}

/** The pieces, all a level coarser until they are few enough. */
export function withinBudget(course: Course, pieces: Piece[]): Piece[] {
  const total = (list: Piece[]) =>
    list.reduce((sum, p) => sum + estimate(course, p.section, p.step), 0);
  let out = pieces;
  while (total(out) > MOST_TRIANGLES && out.some((p) => p.step < COARSEST)) {
    out = out.map((p) => ({ ...p, step: Math.min(2 * p.step, COARSEST) }));
  }
  return out;
}
