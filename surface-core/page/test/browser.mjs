// Opens a report page in a browser and uses it as a reader would.
//
//   node test/browser.mjs REPORT.html CHROMIUM [--shots DIR] [--time]
//
// Every check that fails is named; exits with 1 when one did. With --time only the time to open
// the page is measured, in milliseconds.

import { mkdirSync } from "node:fs";
import { resolve } from "node:path";
import { chromium } from "playwright-core";

const [file, browserPath, ...options] = process.argv.slice(2);
const option = (name) => (options.includes(name) ? options[options.indexOf(name) + 1] : undefined);
const shots = option("--shots");
const address = `file://${resolve(file)}`;

/** WebGL without a graphics card, and no connections of the browser's own. */
const FLAGS = [
  "--no-sandbox",
  "--use-gl=angle",
  "--use-angle=swiftshader",
  "--enable-unsafe-swiftshader",
  "--disable-background-networking",
  "--disable-component-update",
  "--disable-sync",
  "--disable-quic",
  "--no-first-run",
];

const failures = [];
function check(holds, what) {
  console.log(`${holds ? "ok  " : "FAIL"} ${what}`);
  if (!holds) failures.push(what);
}

const browser = await chromium.launch({ executablePath: browserPath, args: FLAGS });

/** A page that is drawn, and what it complained of and asked the network for. */
async function open({ size = [1500, 1000], scheme = "light" } = {}) {
  const context = await browser.newContext({
    viewport: { width: size[0], height: size[1] },
    colorScheme: scheme,
    reducedMotion: "reduce",
  });
  const page = await context.newPage();
  page.setDefaultTimeout(120_000); // other tests run beside this one
  const complaints = [];
  const requests = [];
  page.on("console", (m) => {
    // The one that comes of looking at the pictures here.
    if (m.text().includes("willReadFrequently")) return;
    if (m.type() === "error" || m.type() === "warning") complaints.push(m.text());
  });
  page.on("pageerror", (e) => complaints.push(String(e)));
  page.on("request", (r) => requests.push(r.url()));
  await page.goto(address);
  await page.waitForFunction(() => document.documentElement.dataset.ready === "true", null, {
    timeout: 120_000,
  });
  return { page, complaints, requests, context };
}

/** Wait until the picture has settled: two frames after the last change. */
const settle = (page) =>
  page.evaluate(
    () => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(() => requestAnimationFrame(done)))),
  );

/** Colours of a canvas: how many pixels are drawn, how many colours there are, a checksum. */
const look = (page, id) =>
  page.evaluate((name) => {
    const canvas = document.getElementById(name);
    const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
    const colours = new Map();
    let sum = 0;
    let drawn = 0;
    for (let k = 0; k < data.length; k += 4) {
      if (data[k + 3] === 0) continue;
      drawn++;
      const colour = (data[k] << 16) | (data[k + 1] << 8) | data[k + 2];
      colours.set(colour, (colours.get(colour) ?? 0) + 1);
      sum = (sum * 31 + colour) % 2147483647;
    }
    const hues = [...colours].sort((a, b) => b[1] - a[1]).slice(0, 2000);
    const isBlueOrRed = ([c]) => Math.abs((c >> 16) - (c & 255)) > 40;
    return {
      share: drawn / (data.length / 4),
      colours: colours.size,
      strong: hues.filter(isBlueOrRed).reduce((n, [, count]) => n + count, 0),
      sum,
    };
  }, id);

const state = (page) => page.evaluate(() => structuredClone({ ...surfacePage.state(), values: null }));
const triangles = (page) => page.evaluate(() => surfacePage.triangles());
const shot = async (page, name) => {
  if (!shots) return;
  mkdirSync(shots, { recursive: true });
  await page.screenshot({ path: `${shots}/${name}.png`, fullPage: name !== "desk" });
};

/** The road covers as many pixels as its area asks for; labels and rings cover a little more. */
async function roadIsAsLarge(page, id, pixelsPerMetre, area) {
  const { share } = await look(page, id);
  const box = await page.locator(`#${id}`).boundingBox();
  const seen = (share * box.width * box.height) / pixelsPerMetre ** 2;
  check(seen > 0.95 * area && seen < 1.35 * area, `${id} shows ${seen.toFixed(0)} m² of ${area.toFixed(0)} m²`);
}

async function opens() {
  const { page, complaints, requests, context } = await open();
  await settle(page);
  check(complaints.length === 0, `nothing in the console: ${complaints.join(" | ")}`);
  check(requests.length === 1 && requests[0] === address, "the page asks for nothing but itself");
  for (const id of ["plan", "ribbon", "relief"]) {
    const seen = await look(page, id);
    check(seen.share > 0.02 && seen.colours > 20, `${id} shows the course: ${JSON.stringify(seen)}`);
  }
  const area = await page.evaluate(() => JSON.parse(document.getElementById("data-report").textContent).mesh.area_m2);
  const [plan] = await page.evaluate(() => surfacePage.pixelsPerMetre());
  await roadIsAsLarge(page, "plan", plan, area);
  const counts = await triangles(page);
  check(counts.every((n) => n > 500 && n <= 1_000_000), `triangles in view: ${counts}`);
  check((await page.locator("#verdict strong").textContent()).length > 5, "there is a verdict");
  check((await page.locator("#details .card").count()) >= 8, "parameters, inputs, doubts, cautions are there");
  await shot(page, "desk");
  await context.close();
}

async function spots() {
  const { page, context, complaints } = await open();
  await settle(page);
  const before = [await look(page, "plan"), await look(page, "relief"), await state(page)];
  const button = page.locator("#spots button").first();
  check((await button.count()) === 1, "spots are listed");
  await button.click();
  await settle(page);
  const after = [await look(page, "plan"), await look(page, "relief"), await state(page)];
  check(after[0].sum !== before[0].sum, "a spot's click moves the plan");
  check(after[1].sum !== before[1].sum, "and the surface");
  check(after[2].window.from !== before[2].window.from, "and the unrolled ribbon");
  check(after[1].strong > 100, `and seen in the surface's colours: ${after[1].strong} pixels`);
  check(after[0].strong > 200, `the spot is seen in colour: ${after[0].strong} pixels`);
  const section = await page.evaluate(() => ({
    title: document.getElementById("section-title").textContent,
    points: Number(document.getElementById("section-chart").dataset.points),
    mesh: document.querySelector("#section-chart .mesh").getAttribute("d").length,
    band: document.querySelector("#section-chart .band").getAttribute("d").length,
    dots: document.querySelector("#section-chart .dots").getAttribute("d").split("M").length - 1,
  }));
  check(section.title.startsWith("Spot 1"), `its section is shown: ${section.title}`);
  check(section.points > 3 && section.dots === section.points, `with ${section.points} points`);
  check(section.mesh > 100 && section.band > 100, "mesh and tolerance band");
  const across = await page.locator("#section-chart .mesh").getAttribute("d");
  await page.check("#section-along", { force: true });
  check(across !== (await page.locator("#section-chart .mesh").getAttribute("d")), "and along the course");
  await shot(page, "spot");
  await page.keyboard.press("Escape");
  await settle(page);
  check((await state(page)).spot === null, "Escape leaves it");
  check(complaints.length === 0, `nothing in the console: ${complaints.join(" | ")}`);
  await context.close();
}

async function layers() {
  const { page, context } = await open();
  const names = await page.locator("#layers input").evaluateAll((all) => all.map((i) => i.value));
  check(names[0] === "deviation" && names.length >= 4, `layers: ${names}`);
  const seen = new Map();
  for (const name of names) {
    await page.check(`#layers input[value=${name}]`, { force: true });
    await page.waitForFunction((n) => surfacePage.state().layer.name === n, name);
    await settle(page);
    const picture = (await look(page, "plan")).sum;
    check(![...seen.values()].includes(picture), `layer ${name} has a picture of its own`);
    seen.set(name, picture);
    check(/\d/.test(await page.locator("#key-high").textContent()), "with numbers in its key");
    await shot(page, `layer-${name}`);
  }
  const wide = await look(page, "ribbon");
  await page.selectOption("#range", { index: 1 });
  await settle(page);
  check((await look(page, "ribbon")).sum !== wide.sum, "another scale changes the colours");
  await context.close();
}

async function links() {
  const { page, context } = await open();
  await page.locator("#ribbon").scrollIntoViewIfNeeded();
  const box = await page.locator("#ribbon").boundingBox();
  const plan = await look(page, "plan");
  await page.mouse.move(box.x + 0.6 * box.width, box.y + 0.45 * box.height);
  await settle(page);
  const at = (await state(page)).cursor;
  check(at !== null && at.s > 10, `pointing at the ribbon marks a place: ${JSON.stringify(at)}`);
  check((await look(page, "plan")).sum !== plan.sum, "which the plan shows");
  const x = await page.locator("#strip .cursor").getAttribute("x1");
  check(Number(x) > 60, "and the strip");
  check(/s .* m/.test(await page.locator("#readout").textContent()), "and the line of numbers");
  await page.locator("#strip").focus();
  await page.keyboard.press("PageUp");
  await settle(page);
  const moved = (await state(page)).cursor;
  check(Math.abs(moved.s - at.s - 50) < 1e-6 || moved.s < at.s, "keys move along the course");
  // The other way: the place that the plan shows under the pointer.
  const ribbon = await look(page, "ribbon");
  const middle = await page.evaluate(() => {
    const canvas = document.getElementById("plan");
    const context = canvas.getContext("2d");
    const { data } = context.getImageData(0, 0, canvas.width, canvas.height);
    const scale = canvas.width / canvas.getBoundingClientRect().width;
    // A pixel of the road's bottom leg: opaque, with opaque ones around it.
    for (let y = canvas.height - 40; y > 0; y--) {
      for (let x = Math.round(canvas.width / 2); x < canvas.width - 40; x++) {
        const opaque = (dx, dy) => data[4 * ((y + dy) * canvas.width + x + dx) + 3] === 255;
        if ([-4, 0, 4].every((d) => opaque(d, 0) && opaque(0, d))) return [x / scale, y / scale];
      }
    }
    return null;
  });
  const planBox = await page.locator("#plan").boundingBox();
  await page.mouse.move(planBox.x + middle[0], planBox.y + middle[1]);
  await settle(page);
  check((await look(page, "ribbon")).sum !== ribbon.sum, "pointing at the plan marks the ribbon");
  await context.close();
}

async function relief() {
  const { page, context } = await open();
  await page.locator("#relief").focus();
  const pictures = [(await look(page, "relief")).sum];
  for (const key of ["ArrowLeft", "ArrowUp", "+", "Shift+ArrowRight"]) {
    await page.keyboard.press(key);
    await settle(page);
    const picture = (await look(page, "relief")).sum;
    check(!pictures.includes(picture), `${key} changes the view of the surface`);
    pictures.push(picture);
  }
  // From straight above the surface is as large as it is.
  await page.keyboard.press("0");
  await page.locator("#exaggeration").fill("1");
  await page.locator("#relief").focus();
  for (let k = 0; k < 12; k++) await page.keyboard.press("ArrowUp");
  await settle(page);
  const area = await page.evaluate(() => JSON.parse(document.getElementById("data-report").textContent).mesh.area_m2);
  const [, , scale] = await page.evaluate(() => surfacePage.pixelsPerMetre());
  await roadIsAsLarge(page, "relief", scale, area);
  await page.keyboard.press("0");
  await page.locator("#exaggeration").fill("50");
  await settle(page);
  const steep = await look(page, "relief");
  check(!pictures.includes(steep.sum), "heights are exaggerated");
  check((await state(page)).exaggeration === 50, "fifty times");
  // From nearest to furthest never more than a million triangles.
  const counts = [];
  for (const key of ["-", "-", "-", "-", "0", "+", "+", "+", "+", "+", "+", "+", "+", "+", "+", "+", "+"]) {
    await page.locator("#relief").focus();
    await page.keyboard.press(key);
    await settle(page);
    counts.push((await triangles(page))[2]);
  }
  check(Math.max(...counts) <= 1_000_000, `most triangles: ${Math.max(...counts)}`);
  await shot(page, "relief");
  await context.close();
}

async function schemes() {
  const dark = await open({ scheme: "dark" });
  await settle(dark.page);
  const ground = await dark.page.evaluate(() => getComputedStyle(document.body).backgroundColor);
  check(/rgb\((\d), |rgb\(([1-3]\d), /.test(ground), `dark has a dark ground: ${ground}`);
  await shot(dark.page, "dark");
  await dark.context.close();
  const phone = await open({ size: [390, 844] });
  await settle(phone.page);
  const wide = await phone.page.evaluate(() => document.documentElement.scrollWidth);
  check(wide <= 390, `a phone needs no scrolling sideways: ${wide} pixels`);
  await shot(phone.page, "phone");
  await phone.page.emulateMedia({ media: "print" });
  await settle(phone.page);
  const buttons = await phone.page.locator(".buttons").first().isVisible();
  check(!buttons, "paper has no buttons");
  check((await look(phone.page, "plan")).share > 0.02, "and a plan");
  if (shots) await phone.page.pdf({ path: `${shots}/print.pdf`, format: "A4", printBackground: true });
  await phone.context.close();
}

/** Milliseconds from asking for the page until it is drawn, least of three. */
async function time() {
  const all = [];
  for (let k = 0; k < 3; k++) {
    const { page, context } = await open();
    await settle(page);
    all.push(await page.evaluate(() => performance.now()));
    await context.close();
  }
  console.log(Math.round(Math.min(...all)));
}

try {
  if (options.includes("--time")) await time();
  else for (const part of [opens, spots, layers, links, relief, schemes]) await part();
} finally {
  await browser.close();
}
if (failures.length > 0) {
  console.log(`${failures.length} checks failed`);
  process.exitCode = 1;
}
