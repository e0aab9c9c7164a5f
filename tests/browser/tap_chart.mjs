// Charts on one page of this package as a person would, in headless Chromium with the network cut,
// and prints what the page holds in the end, as JSON.
//
//   node tap_chart.mjs CHROMIUM PAGE.html PROFILE_FOLDER WIDTH ACTIONS.json
//
// Actions: ["press", ID], ["choose", CODE] in the line, ["contest", VALUE], ["type", ID, TEXT],
// ["reload"].
import { readFileSync, readdirSync } from "node:fs";
import { createRequire } from "node:module";
import path from "node:path";
import { pathToFileURL } from "node:url";
import puppeteer from "puppeteer-core";

const [chromium, page_file, profile, width, actions_file] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

const browser = await puppeteer.launch({
  executablePath: chromium, userDataDir: profile, pipe: true, headless: true,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage"],
});
const tab = await browser.newPage();
const errors = [], asked = [];
tab.on("pageerror", (error) => errors.push(String(error)));
tab.on("request", (request) => asked.push(request.url()));
await tab.setViewport({ width: Number(width), height: 844, hasTouch: true });
await tab.setOfflineMode(true);
const address = pathToFileURL(page_file).href;
await tab.goto(address, { waitUntil: "load" });

async function violations() {
  await tab.evaluate(axe);
  const found = await tab.evaluate((levels) =>
    window.axe.run(document, { runOnly: { type: "tag", values: levels } }), LEVELS);
  return found.violations.map((v) => ({ id: v.id, nodes: v.nodes.map((n) => n.html.slice(0, 120)) }));
}
const look = () => tab.evaluate(() => ({
  overflow: document.documentElement.scrollWidth - window.innerWidth,
  small: [...document.querySelectorAll("button, select, input:not([type=radio]):not([type=checkbox])")]
    .filter((e) => e.offsetParent !== null)
    .map((e) => ({ id: e.id || e.textContent, box: e.getBoundingClientRect() }))
    .filter((e) => e.box.height < 44 || e.box.width < 44).map((e) => e.id),
  keys: ["make", "miss"].map((id) => document.getElementById(id).getBoundingClientRect().bottom),
}));

const start = { ...(await look()), violations: await violations() };
let slowest = 0;
for (const [what, ...rest] of JSON.parse(readFileSync(actions_file, "utf8"))) {
  const began = performance.now();
  if (what === "press") await tab.click(`#${rest[0]}`);
  if (what === "choose") {
    await tab.evaluate((code) => [...document.querySelectorAll("#line button")]
      .find((one) => one.textContent === code).click(), rest[0]);
  }
  if (what === "contest") await tab.click(`#contests input[value="${rest[0]}"]`);
  if (what === "type") {
    await tab.click(`#${rest[0]}`, { count: 3 });
    await tab.keyboard.type(rest[1]);
    await tab.keyboard.press("Tab");
  }
  if (what === "reload") await tab.reload({ waitUntil: "load" });
  slowest = Math.max(slowest, what === "reload" ? 0 : performance.now() - began);
}
const session = await tab.createCDPSession();
const folder = path.join(profile, "saved");
await session.send("Browser.setDownloadBehavior", { behavior: "allow", downloadPath: folder });
await tab.click("#download");
await tab.click("#all summary");
await tab.waitForFunction(() => document.getElementById("rows").value !== "");
let saved = [];
for (let wait = 0; wait < 100 && !saved.length; wait += 1) {
  await new Promise((done) => setTimeout(done, 50));
  try {
    saved = readdirSync(folder).filter((name) => name.endsWith(".csv"));
  } catch { saved = []; }
}
const shown = await tab.evaluate(() => ({
  rows: document.getElementById("rows").value,
  total: document.getElementById("total").textContent,
  last: document.getElementById("last").textContent,
  shooter: document.getElementById("shooter").textContent,
  notKept: !document.getElementById("not-kept").hidden,
}));
if (process.env.PAGE_PICTURES) {
  await tab.screenshot({ path: `${process.env.PAGE_PICTURES}-tap-${width}.png`, fullPage: true });
}
const result = {
  ...shown, start, end: { ...(await look()), violations: await violations() }, slowest, errors, asked,
  saved: saved.map((name) => ({ name, text: readFileSync(path.join(folder, name), "utf8") })),
};
await browser.close();
process.stdout.write(JSON.stringify(result));
