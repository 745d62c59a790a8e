// The spots as a list, and the section through the chosen one.

import type { Profile, SpotHead } from "./data";
import { number, signed } from "./format";
import { drawSection, fieldSection, type Reach } from "./section";
import type { Store } from "./store";
import { html } from "./svg";

export class Panel {
  private readonly buttons: HTMLButtonElement[] = [];
  private readonly chart: SVGSVGElement;
  private readonly title: HTMLElement;
  private readonly words: HTMLElement;
  private readonly across: HTMLInputElement;
  private readonly points: HTMLInputElement;
  private readonly choices: HTMLElement;

  constructor(
    private readonly store: Store,
    private readonly toleranceMm: number,
    total: number,
    private readonly choose: (spot: number | null) => void,
  ) {
    const get = <T extends Element>(id: string) => document.getElementById(id) as unknown as T;
    this.chart = get("section-chart");
    this.title = get("section-title");
    this.words = get("section-words");
    this.across = get("section-across");
    this.points = get("section-points");
    this.choices = get("section-choices");
    for (const name of ["section-across", "section-along", "section-tolerance", "section-points"]) {
      get<HTMLInputElement>(name).addEventListener("change", () => this.draw());
    }
    this.fill(get("spots"), get("spots-title"), total);
    store.listen((changed) => {
      if (changed.has("spot")) this.mark();
      if (changed.has("spot") || (changed.has("cursor") && store.state.spot === null)) this.draw();
    });
    this.draw();
  }

  private get spots(): SpotHead[] {
    return this.store.course.data.head.spots;
  }

  private fill(list: HTMLElement, title: HTMLElement, total: number): void {
    const shown = this.spots.length;
    title.textContent = total === 0 ? "No spots beyond tolerance" : "Spots, worst first";
    if (total > shown) {
      title.after(html("p", "note", `The ${shown} worst of ${total}; deviation.csv has them all.`));
    }
    this.spots.forEach((spot, k) => {
      const button = html("button", "spot-button");
      button.type = "button";
      const sizes = `${number(spot.area_m2, 2)} m², ${number(spot.points)} points`;
      button.append(
        html("span", "spot-id", String(spot.id)),
        html("span", "spot-worst", `${signed(spot.worst_mm, 1)} mm`),
        html("span", "spot-why", spot.why),
        html("span", "spot-at", `s ${number(spot.at_m[0], 1)} m, t ${signed(spot.at_m[1], 2)} m`),
        html("span", "spot-size", sizes),
      );
      button.addEventListener("click", () => this.choose(k));
      button.addEventListener("keydown", (event) => this.onKey(event, k));
      this.buttons.push(button);
      const item = html("li");
      item.append(button);
      list.append(item);
    });
  }

  private onKey(event: KeyboardEvent, k: number): void {
    const to = { ArrowDown: k + 1, ArrowUp: k - 1, Home: 0, End: this.buttons.length - 1 }[event.key];
    if (to === undefined || !this.buttons[to]) return;
    event.preventDefault();
    this.buttons[to].focus();
  }

  private mark(): void {
    this.buttons.forEach((button, k) => {
      const isChosen = k === this.store.state.spot;
      if (isChosen) button.setAttribute("aria-current", "true");
      else button.removeAttribute("aria-current");
    });
  }

  draw(): void {
    const { spot, cursor } = this.store.state;
    const { course } = this.store;
    const isAcross = this.across.checked;
    const reach: Reach = this.points.checked ? "points" : "tolerance";
    this.choices.hidden = spot === null;
    let profile: Profile;
    let zero = 0;
    if (spot !== null) {
      const { at_m, id, why } = this.spots[spot];
      profile = course.data.profiles[spot][isAcross ? "across" : "along"];
      zero = at_m[isAcross ? 1 : 0];
      const where = isAcross ? `across at s ${number(at_m[0], 1)} m` : `along at t ${signed(at_m[1], 2)} m`;
      this.title.textContent = `Spot ${id} (${why}): section ${where}`;
    } else {
      const at = cursor ?? { s: 0, t: 0 };
      profile = fieldSection(course, at);
      this.title.textContent = `Section across at s ${number(at.s, 1)} m`;
    }
    const axis = spot !== null && !isAcross ? "s" : "t";
    const drawn = { profile, zero, axis, toleranceMm: this.toleranceMm, reach } as const;
    const words = drawSection(this.chart, drawn);
    this.words.textContent = words;
    this.chart.setAttribute("aria-label", `${this.title.textContent}. ${words}`);
    this.chart.dataset.points = String(profile.along.length);
  }
}
