// Bundles the page's script, style and frame into one file: node build.mjs [OUT].

import { readFileSync, writeFileSync } from "node:fs";
import { build } from "esbuild";

const out = process.argv[2] ?? "dist/page.html";
const read = (name) => readFileSync(new URL(name, import.meta.url), "utf8");

const script = await build({
  entryPoints: [new URL("src/main.ts", import.meta.url).pathname],
  bundle: true,
  minify: true,
  format: "iife",
  target: ["es2022"],
  legalComments: "none",
  charset: "utf8",
  write: false,
});
const style = await build({
  stdin: { contents: read("src/style.css"), loader: "css" },
  minify: true,
  write: false,
});
const licence = read("node_modules/twgl.js/LICENSE.md").trim();
const version = JSON.parse(read("node_modules/twgl.js/package.json")).version;
const notices = `<!--
The script in this page holds parts of twgl.js ${version}, under this licence:

${licence.replaceAll("--", "- -")}
-->`;

// Functions, so that a dollar sign in what is put in stays one.
const page = read("src/page.html")
  .replace("<!-- notices -->", () => notices)
  .replace("<!-- style -->", () => style.outputFiles[0].text.trim())
  .replace("<!-- script -->", () => script.outputFiles[0].text.trim().replaceAll("</script", "<\\/script"));
writeFileSync(out, page);
console.log(`${out}: ${(page.length / 1e3).toFixed(0)} kB`);
