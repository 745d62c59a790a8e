// The report in words and tables.

import { bytes, number, short, signed } from "./format";
import { html } from "./svg";

/** Scatter of points over a range of incidence or intensity. */
interface Scatter {
  range: [number, number];
  points_percent: number;
  sigma_mm: number;
  model_mm: number;
  over_model: number;
}

/** `report.json`, as far as the page reads it. */
export interface Report {
  version: string;
  parameters: {
    spacing_m: number;
    s_step_m: number;
    tolerance_mm: number;
    bridge_m: number;
    line_given: boolean;
    closed_given: boolean | null;
    setups_known: boolean;
  };
  inputs: { name: string; format: string; bytes: number; blake3: string; units: string }[];
  points: number;
  points_on_road: number;
  points_dropped: number;
  setups: number;
  levelling: {
    misfit_before_mm: number;
    misfit_mm: number;
    noise: null | {
      range_mm: number;
      grazing_mm: number;
      angle_urad: number;
      texture_mm: number;
      fading: number;
      intensity: number;
    };
    rings: {
      distance_m: [number, number];
      points_percent: number;
      sigma_mm: number;
      model_mm: number;
      over_model?: [number, number];
    }[];
    incidences?: Scatter[];
    intensities?: Scatter[];
    setups: {
      name: string;
      position_known: boolean;
      state: string;
      offset_mm: number;
      offset_sd_mm: number;
      tilt_urad: [number, number];
      noise_factor?: number;
      over_model?: number;
      shared_places: number;
    }[];
  };
  checkpoints: null | {
    given: number;
    on_surface: number;
    rmse_mm: number;
    mean_mm: number;
    worst_mm: number;
    product_rmse_mm: number;
    notes: string[];
    points: { name: string; at_m: [number, number]; error_mm: number }[];
  };
  origin_m: [number, number, number];
  crs: string | null;
  ribbon: {
    length_m: number;
    closed: boolean;
    widths_m: [number, number, number];
    gaps: { from_s_m: number; to_s_m: number; side: string; reason: string }[];
    notes: string[];
  };
  field: {
    inside: number;
    fitted: number;
    bridged: number;
    outliers: number;
    step: number;
    sigma_median_mm: number;
    sigma_95_mm: number;
    wavelength_median_m: number;
    wavelength_95_m: number;
    share_under_half_metre: number;
    points_median: number;
  };
  seams: { given_m: number; railed_m: number };
  mesh: Record<string, number>;
  deviation: {
    points: number;
    d_quantiles_m: [number, number, number] | null;
    share_within: number;
    worst_m: number | null;
    coverage: {
      cells: number;
      cells_judged: number;
      cells_sparse: number;
      cells_without_points: number;
      share_with_points: number;
    };
    verdict: "within_tolerance" | "nothing_judged" | { beyond: { spots: number; share: number } };
  };
  spots: unknown[];
  doubts: string[];
  cautions: string[];
}

export interface Verdict {
  kind: "met" | "missed" | "open";
  title: string;
  text: string;
}

export function verdict(report: Report): Verdict {
  const tolerance = `±${short(report.parameters.tolerance_mm)} mm`;
  const found = report.deviation.verdict;
  if (found === "within_tolerance") {
    return { kind: "met", title: "Tolerance met", text: `no spot beyond ${tolerance}` };
  }
  if (found === "nothing_judged") {
    return { kind: "open", title: "No verdict", text: "no cell had enough points to be judged" };
  }
  const { spots, share } = found.beyond;
  const what = spots === 1 ? "1 spot" : `${number(spots)} spots`;
  const text = `${what} beyond ${tolerance}, ${number(100 * share, 2)} % of the cells`;
  return { kind: "missed", title: "Tolerance not met", text };
}

type Row = [string, string];

/** The few numbers that come first. */
export function figures(report: Report): Row[] {
  const { ribbon, field, deviation } = report;
  const q = deviation.d_quantiles_m;
  return [
    ["Course", `${number(ribbon.length_m, 1)} m ${ribbon.closed ? "closed" : "open"}`],
    ["Width", `${number(ribbon.widths_m[0], 1)} to ${number(ribbon.widths_m[2], 1)} m`],
    ["Points on the road", number(report.points_on_road)],
    ["σ of the height, median", `${number(field.sigma_median_mm, 2)} mm`],
    ["Cells within tolerance", `${number(100 * deviation.share_within, 2)} %`],
    ["Points off the surface, 95 %", q ? `≤ ${number(1e3 * q[1], 1)} mm` : "–"],
  ];
}

function share(part: number, whole: number): string {
  return `${number(part)} (${number((100 * part) / Math.max(whole, 1), 2)} %)`;
}

function parameters({ parameters: p }: Report): Row[] {
  return [
    ["Spacing", `${short(p.spacing_m)} m across, ${number(p.s_step_m, 4)} m along`],
    ["Tolerance", `±${short(p.tolerance_mm)} mm`],
    ["Widest hole bridged", `${short(p.bridge_m)} m`],
    ["Reference line", p.line_given ? "given" : "found from the cloud"],
    ["Closed", p.closed_given === null ? "found from the cloud" : p.closed_given ? "yes, given" : "no, given"],
    ["Scanner positions", p.setups_known ? "known" : "not known"],
  ];
}

function road(report: Report): Row[] {
  const { ribbon, origin_m: origin } = report;
  return [
    ["Length", `${number(ribbon.length_m, 2)} m, ${ribbon.closed ? "closed" : "open"}`],
    ["Width, least, mean, most", `${ribbon.widths_m.map((w) => number(w, 2)).join(", ")} m`],
    ["Points read", number(report.points)],
    ["Points on the road", number(report.points_on_road)],
    ["Points dropped", number(report.points_dropped)],
    ["Origin, east, north, up", `${origin.map((v) => number(v)).join(", ")} m`],
    ["Coordinate system", report.crs ?? "none in the files"],
  ];
}

function surface({ field, mesh, seams, parameters: p }: Report): Row[] {
  return [
    ["Heights", `${number(field.fitted)} at ${short(p.spacing_m)} m`],
    ["σ, median and 95 %", `${number(field.sigma_median_mm, 2)} and ${number(field.sigma_95_mm, 2)} mm`],
    ["Waves held from, median and 95 %", `${number(field.wavelength_median_m, 2)} and ${number(field.wavelength_95_m, 2)} m`],
    ["Heights that hold waves under 0.5 m", `${number(100 * field.share_under_half_metre, 1)} %`],
    ["Cracks, slots and holes are smoothed", `under ${short(p.spacing_m)} m wide`],
    ["Bridged", share(field.bridged, field.inside)],
    ["Holes", share(field.inside - field.fitted, field.inside)],
    ["Points a node, median", number(field.points_median)],
    ["Breaklines", `${number(seams.given_m, 1)} m, ${number(seams.railed_m, 1)} m in the mesh`],
    ["Triangles", number(mesh.faces)],
    ["Area", `${number(mesh.area_m2, 1)} m²`],
    ["Least angle off the rails", `${number(mesh.least_angle_off_rails_deg, 1)}°`],
  ];
}

function deviation({ deviation: d }: Report): Row[] {
  const q = d.d_quantiles_m?.map((v) => number(1e3 * v, 2)).join(", ");
  return [
    ["Points held to the surface", number(d.points)],
    ["|d| that 50, 95, 99 % keep within", q ? `${q} mm` : "–"],
    ["Worst cell", d.worst_m === null ? "–" : `${signed(1e3 * d.worst_m, 1)} mm`],
    ["Cells judged", share(d.coverage.cells_judged, d.coverage.cells)],
    ["Cells with 1 to 3 points", share(d.coverage.cells_sparse, d.coverage.cells)],
    ["Cells without points", share(d.coverage.cells_without_points, d.coverage.cells)],
  ];
}

function pairs(rows: Row[]): HTMLElement {
  const table = html("table", "pairs");
  for (const [name, value] of rows) {
    const row = table.insertRow();
    const head = html("th", "", name);
    head.scope = "row";
    row.append(head, html("td", "", value));
  }
  return table;
}

function grid(names: string[], rows: string[][], numeric: boolean[]): HTMLElement {
  const wrap = html("div", "wide");
  wrap.tabIndex = 0;
  wrap.setAttribute("role", "region");
  wrap.setAttribute("aria-label", "table");
  const table = html("table", "grid");
  const head = table.createTHead().insertRow();
  names.forEach((name, k) => {
    const cell = html("th", numeric[k] ? "number" : "", name);
    cell.scope = "col";
    head.append(cell);
  });
  const body = table.createTBody();
  for (const row of rows) {
    const line = body.insertRow();
    row.forEach((text, k) => line.append(html("td", numeric[k] ? "number" : "", text)));
  }
  wrap.append(table);
  return wrap;
}

function list(items: string[], className: string): HTMLElement {
  const out = html("ul", className);
  for (const item of items) out.append(html("li", "", item));
  return out;
}

function card(title: string, ...content: HTMLElement[]): HTMLElement {
  const out = html("section", "card");
  out.append(html("h3", "", title), ...content);
  return out;
}

function inputs(report: Report): HTMLElement {
  const rows = report.inputs.map((i) => [i.name, i.format, bytes(i.bytes), i.units, i.blake3]);
  return grid(["File", "Format", "Size", "Units", "BLAKE3"], rows, [false, false, true, false, false]);
}

function setups(report: Report): HTMLElement {
  const rows = report.levelling.setups.map((s) => [
    s.name,
    s.state.replaceAll("-", " "),
    signed(s.offset_mm, 2),
    number(s.offset_sd_mm, 2),
    s.tilt_urad.map((t) => signed(t, 1)).join(", "),
    s.over_model === undefined ? "" : number(s.over_model, 2),
    s.noise_factor === undefined ? "" : `× ${number(s.noise_factor, 2)}`,
    number(s.shared_places),
  ]);
  const names = ["Setup", "State", "Offset mm", "σ mm", "Tilt µrad, east, north", "σ over the model", "Weighed as scattering", "Shared places"];
  const out = html("details");
  const { misfit_before_mm, misfit_mm } = report.levelling;
  const text = `${number(rows.length)} setups; they differ by ${number(misfit_mm, 2)} mm at a place (${number(misfit_before_mm, 2)} mm before levelling)`;
  out.append(html("summary", "", text), grid(names, rows, [false, false, true, true, true, true, true, true]));
  return out;
}

/** What points scatter by, and what the noise model makes of it, by distance from the scanner. */
function noise({ levelling }: Report): HTMLElement {
  const out = html("div");
  const model = levelling.noise;
  if (model) {
    out.append(
      pairs([
        ["Range noise, square on", `${number(model.range_mm, 2)} mm`],
        ["Range noise that grows with incidence", `${number(model.grazing_mm, 2)} mm`],
        ["Angle noise", `${number(model.angle_urad, 0)} µrad`],
        ["Texture", `${number(model.texture_mm, 2)} mm`],
        ["Range noise with intensity", model.fading > 0 ? `(I / ${number(model.intensity)})^−${number(model.fading, 2)}` : "the same"],
      ]),
    );
  }
  const rows = levelling.rings.map((ring) => [
    `${number(ring.distance_m[0])} to ${number(ring.distance_m[1])}`,
    number(ring.points_percent, 1),
    number(ring.sigma_mm, 2),
    number(ring.model_mm, 2),
    ring.over_model ? ring.over_model.map((v) => number(v, 2)).join(", ") : "",
  ]);
  const names = ["Distance m", "Points %", "σ of a point mm", "By the model mm", "Over the model, dark, bright"];
  out.append(grid(names, rows, [false, true, true, true, true]));
  out.append(scatter("Incidence °", levelling.incidences, 1), scatter("Intensity", levelling.intensities, 0));
  return out;
}

/** The same over ranges of something else. */
function scatter(name: string, parts: Scatter[] | undefined, digits: number): Node {
  if (!parts) return document.createTextNode("");
  const rows = parts.map((part) => [
    part.range.map((v) => number(v, digits)).join(" to "),
    number(part.points_percent, 1),
    number(part.sigma_mm, 2),
    number(part.model_mm, 2),
    number(part.over_model, 2),
  ]);
  const names = [name, "Points %", "σ of a point mm", "By the model mm", "Over the model"];
  return grid(names, rows, [false, true, true, true, true]);
}

function checkpoints(found: NonNullable<Report["checkpoints"]>): HTMLElement {
  const rows = found.points.map((p) => [
    p.name,
    number(p.at_m[0], 1),
    signed(p.at_m[1], 2),
    signed(p.error_mm, 2),
  ]);
  const out = html("div");
  out.append(
    pairs([
      ["On the surface", `${number(found.on_surface)} of ${number(found.given)}`],
      ["RMSE", `${number(found.rmse_mm, 2)} mm`],
      ["Mean error", `${signed(found.mean_mm, 2)} mm`],
      ["Worst", `${signed(found.worst_mm, 2)} mm`],
      ["RMSE of the product", `${number(found.product_rmse_mm, 2)} mm`],
    ]),
    list(found.notes, "notes"),
    grid(["Checkpoint", "s m", "t m", "Surface less survey mm"], rows, [false, true, true, true]),
  );
  return out;
}

/** Fill the lower part of the page. */
export function fillDetails(root: HTMLElement, report: Report): void {
  const doubts = report.doubts.length
    ? list(report.doubts, "doubts")
    : html("p", "", "Nothing that the build doubts.");
  root.append(
    card("Doubts", doubts),
    card("Cautions", list(report.cautions, "cautions")),
    card("Parameters", pairs(parameters(report))),
    card("Road", pairs(road(report)), list(report.ribbon.notes, "notes")),
    card("Surface", pairs(surface(report))),
    card("Deviation", pairs(deviation(report))),
  );
  const inputCard = card("Inputs", inputs(report));
  const setupCard = card("Setups", setups(report));
  inputCard.classList.add("broad");
  setupCard.classList.add("broad");
  root.append(inputCard, setupCard);
  if (report.levelling.rings.length) {
    const noiseCard = card("Noise of points", noise(report));
    noiseCard.classList.add("broad");
    root.append(noiseCard);
  }
  if (report.checkpoints) root.append(card("Checkpoints", checkpoints(report.checkpoints)));
}
