// The report page: puts the views together.

import { ABOVE, BELOW, entry, gradient, table } from "./colour";
import { Course } from "./course";
import { json, unpack, type Unpacked } from "./data";
import { figures, fillDetails, verdict, type Report } from "./details";
import { number, short, signed } from "./format";
import { layersOf, ranges, values, type Layer, type Range } from "./layers";
import { Painter } from "./painter";
import { Panel } from "./panel";
import { Plan } from "./plan";
import { Relief } from "./relief";
import { RibbonView } from "./ribbon";
import { Store } from "./store";
import { Strip } from "./strip";
import { html } from "./svg";
import { theme, type View } from "./view";

const element = <T extends Element>(id: string) => document.getElementById(id) as unknown as T;
/** The unrolled ribbon shows so much of the course at first, metres. */
const WINDOW_M = 120;

class Page {
  private readonly store: Store;
  private readonly painter: Painter | null;
  private readonly plan: Plan;
  private readonly ribbon: RibbonView;
  private readonly relief: Relief;
  private choices: Range[] = [];

  constructor(
    private readonly data: Unpacked,
    private readonly report: Report,
    private readonly layers: Layer[],
    first: Float32Array,
  ) {
    const course = new Course(data);
    this.choices = ranges(layers[0], first, report.parameters.tolerance_mm);
    this.store = new Store(
      {
        layer: layers[0],
        values: first,
        range: this.choices[0],
        cursor: null,
        spot: null,
        window: { from: 0, length: Math.min(WINDOW_M, course.length) },
        exaggeration: 5,
      },
      course,
    );
    this.painter = Painter.of(course);
    const choose = (spot: number | null) => this.choose(spot);
    this.plan = new Plan(element("plan"), this.store, this.painter, choose);
    this.ribbon = new RibbonView(element("ribbon"), this.store, this.painter, choose);
    this.relief = new Relief(element("relief"), this.store, this.painter);
    new Strip(element("strip"), this.store, choose);
    new Panel(this.store, report.parameters.tolerance_mm, this.spotCount(), choose);
    if (!this.painter) element<HTMLElement>("no-webgl").hidden = false;
  }

  private get views(): View[] {
    return [this.plan, this.ribbon, this.relief];
  }

  private spotCount(): number {
    const found = this.report.deviation.verdict;
    return typeof found === "object" ? found.beyond.spots : 0;
  }

  start(): void {
    this.colour();
    this.bindLayers();
    this.bindControls();
    this.store.listen((changed) => {
      if (changed.has("cursor") || changed.has("values")) this.readOut();
    });
    this.key();
    this.readOut();
    this.views.forEach((view) => view.resize(true));
  }

  /** Hand the layer's values and colours to the graphics card. */
  private colour(): void {
    const { values: all, range, layer } = this.store.state;
    const entries = new Uint8Array(all.length);
    for (let k = 0; k < all.length; k++) entries[k] = entry(all[k], range.low, range.high);
    this.painter?.setCells(entries);
    this.painter?.setColours(table(layer.scale, this.data.head, theme().none));
  }

  private bindLayers(): void {
    const root = element<HTMLElement>("layers");
    for (const layer of this.layers) {
      const label = html("label", "choice");
      const input = html("input");
      input.type = "radio";
      input.name = "layer";
      input.value = layer.name;
      input.checked = layer === this.layers[0];
      input.addEventListener("change", () => void this.show(layer));
      label.append(input, html("span", "", layer.label));
      root.append(label);
    }
    element<HTMLSelectElement>("range").addEventListener("change", (event) => {
      const range = this.choices[Number((event.target as HTMLSelectElement).value)];
      Object.assign(this.store.state, { range });
      this.colour();
      this.store.set({ range });
      this.key();
    });
    this.fillRanges();
  }

  private fillRanges(): void {
    const select = element<HTMLSelectElement>("range");
    const { layer } = this.store.state;
    select.replaceChildren();
    this.choices.forEach(({ low, high }, k) => {
      const unit = layer.unit ? ` ${layer.unit}` : "";
      const text = layer.signed ? `±${short(high)}${unit}` : `${short(low)} to ${short(high)}${unit}`;
      const option = html("option", "", text);
      option.value = String(k);
      select.append(option);
    });
  }

  private async show(layer: Layer): Promise<void> {
    const all = await values(this.data, layer);
    this.choices = ranges(layer, all, this.report.parameters.tolerance_mm);
    const range = this.choices[0];
    Object.assign(this.store.state, { layer, values: all, range });
    this.colour();
    this.store.set({ layer, values: all, range });
    this.fillRanges();
    this.key();
  }

  /** The colours of the layer with their numbers. */
  private key(): void {
    const { layer, range } = this.store.state;
    const { head } = this.data;
    element<HTMLElement>("key-bar").style.backgroundImage = gradient(layer.scale, head);
    const middle = (range.low + range.high) / 2;
    const text = (v: number) => (layer.signed ? signed(v, digits(v)) : number(v, digits(v)));
    element("key-low").textContent = text(range.low);
    element("key-middle").textContent = text(middle);
    element("key-high").textContent = `${text(range.high)}${layer.unit ? ` ${layer.unit}` : ""}`;
    element("key-says").textContent = layer.says;
    const all = table(layer.scale, head, theme().none);
    for (const [id, k] of [["key-below", BELOW], ["key-above", ABOVE]] as const) {
      const [r, g, b] = all.subarray(4 * k, 4 * k + 3);
      element<HTMLElement>(id).style.backgroundColor = `rgb(${r} ${g} ${b})`;
    }
  }

  private bindControls(): void {
    const slider = element<HTMLInputElement>("exaggeration");
    slider.addEventListener("input", () => {
      this.store.set({ exaggeration: Number(slider.value) });
      element("exaggeration-value").textContent = `× ${slider.value}`;
    });
    const views: Record<string, View & { whole?: () => void }> = {
      plan: this.plan,
      ribbon: this.ribbon,
      relief: this.relief,
    };
    for (const button of document.querySelectorAll<HTMLButtonElement>("button[data-view]")) {
      const view = views[button.dataset.view as string];
      button.addEventListener("click", () => {
        if (button.dataset.do === "in") view.zoom(1.5);
        else if (button.dataset.do === "out") view.zoom(1 / 1.5);
        else if (view.whole) view.whole();
        else this.store.setWindow(0, this.store.course.length);
      });
    }
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && this.store.state.spot !== null) this.choose(null);
    });
    for (const query of ["(prefers-color-scheme: dark)", "print"]) {
      matchMedia(query).addEventListener("change", () => this.refresh());
    }
    window.addEventListener("beforeprint", () => this.refresh());
    window.addEventListener("afterprint", () => this.refresh());
  }

  /** The theme or the medium has changed. */
  private refresh(): void {
    this.colour();
    this.key();
    this.readOut();
    this.views.forEach((view) => view.resize());
  }

  /** Go to a spot with every view, or back to the whole course. */
  choose(spot: number | null): void {
    this.store.set({ spot });
    if (spot === null) {
      this.plan.whole();
      this.relief.whole();
      return;
    }
    const { at_m, middle_m, length_m, width_m } = this.data.head.spots[spot];
    const size = Math.max(length_m, width_m);
    const middle = { s: middle_m[0], t: middle_m[1] };
    this.store.setWindow(middle.s - 0.5 * Math.max(30, 3 * size), Math.max(30, 3 * size));
    this.store.point({ s: at_m[0], t: at_m[1] }, false);
    this.plan.show(middle, Math.max(24, 4 * size));
    this.relief.show(middle, Math.max(10, 3 * size));
  }

  /** What is known of the place that is pointed at. */
  private readOut(): void {
    const { cursor, layer, values: all } = this.store.state;
    const out = element("readout");
    if (!cursor) {
      out.textContent = "Point at the road, or move along it with the arrow keys.";
      return;
    }
    const { course } = this.store;
    const [x, y] = course.plan(cursor);
    const [east, north, up] = this.data.head.origin_m;
    const z = course.height(cursor);
    const parts = [
      `s ${number(cursor.s, 1)} m`,
      `t ${signed(cursor.t, 2)} m`,
      `east ${number(east + x, 2)}`,
      `north ${number(north + y, 2)}`,
      z === z ? `up ${number(up + z, 3)} m` : "no height here",
    ];
    const value = all[this.cell(cursor)];
    const said = layer.signed ? signed(value, layer.digits) : number(value, layer.digits);
    const unit = layer.unit ? ` ${layer.unit}` : "";
    parts.push(value === value ? `${layer.label} ${said}${unit}` : `${layer.label}: no value`);
    out.textContent = parts.join("  ·  ");
  }

  /** Index of the cell at a place. */
  private cell({ s, t }: { s: number; t: number }): number {
    const { sections, cells } = this.data.head;
    let section = 0;
    while (section + 1 < sections.length && sections[section + 1][0] <= s) section++;
    const [from, length, rows] = sections[section];
    const row = Math.min(Math.max(Math.floor((s - from) / length), 0), rows - 1);
    const column = Math.floor((t - cells.first_t_m) / cells.cell_m);
    const inside = Math.min(Math.max(column, 0), cells.columns - 1);
    return this.data.firstCell[section] + row * cells.columns + inside;
  }

  /** For tests: what is on the screen. */
  get inspection() {
    return {
      pixelsPerMetre: () => this.views.map((view) => view.pixelsPerMetre),
      triangles: () => this.views.map((view) => view.triangles),
      state: () => this.store.state,
    };
  }
}

function digits(v: number): number {
  return (String(Number(v.toPrecision(4))).split(".")[1] ?? "").length;
}

function fillHeader(report: Report): void {
  const { kind, title, text } = verdict(report);
  const badge = element<HTMLElement>("verdict");
  badge.classList.add(kind);
  badge.append(html("strong", "", title), html("span", "", text));
  const list = element("figures");
  for (const [name, value] of figures(report)) {
    const item = html("div");
    item.append(html("dt", "", name), html("dd", "", value));
    list.append(item);
  }
  element("version").textContent = report.version;
}

async function main(): Promise<void> {
  const report = json<Report>("report");
  fillHeader(report);
  fillDetails(element("details"), report);
  const data = await unpack();
  const layers = layersOf(data);
  const page = new Page(data, report, layers, await values(data, layers[0]));
  page.start();
  Object.assign(window, { surfacePage: page.inspection });
  document.documentElement.dataset.ready = "true";
}

main().catch((error: unknown) => {
  const out = element<HTMLElement>("failure");
  out.hidden = false;
  out.textContent = `The page could not be drawn: ${String(error)}`;
  throw error;
});
