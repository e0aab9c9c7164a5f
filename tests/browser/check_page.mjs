// Opens one page of this package in headless Chromium, without a server and with the network cut,
// and prints what a browser, a keyboard and an accessibility checker make of it, as JSON.
//
//   node check_page.mjs CHROMIUM PAGE.html PROFILE_FOLDER
import { readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { pathToFileURL } from "node:url";
import puppeteer from "puppeteer-core";

const [chromium, page_file, profile] = process.argv.slice(2);
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const WIDTHS = { desktop: 1280, phone: 360 };
const LEVELS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"];

const browser = await puppeteer.launch({
  executablePath: chromium,
  userDataDir: profile,
  pipe: true,
  headless: true,
  args: [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage",
  ],
});

async function open(width, script) {
  const tab = await browser.newPage();
  const seen = { asked: [], errors: [] };
  await tab.setJavaScriptEnabled(script);
  await tab.setViewport({ width, height: 800 });
  await tab.setOfflineMode(true);
  tab.on("request", (request) => seen.asked.push(request.url()));
  tab.on("pageerror", (error) => seen.errors.push(String(error)));
  tab.on("console", (line) => { if (line.type() === "error") seen.errors.push(line.text()); });
  await tab.goto(pathToFileURL(page_file).href, { waitUntil: "load" });
  return { tab, seen };
}

const mixShown = () =>
  Object.fromEntries(["live", "rep", "gain", "band", "chance"].map((name) =>
    [name, document.getElementById(`mix-${name}`)?.textContent ?? null]));
const playerShown = () =>
  [...document.querySelectorAll("#player-rates tr")].map((row) =>
    [...row.children].map((cell) => cell.textContent));

async function violations(tab) {
  await tab.evaluate(axe);
  const found = await tab.evaluate((levels) =>
    window.axe.run(document, { runOnly: { type: "tag", values: levels } }), LEVELS);
  return {
    rules: found.passes.length,
    violations: found.violations.map((v) => ({
      id: v.id, impact: v.impact, nodes: v.nodes.slice(0, 3).map((n) => n.html.slice(0, 160)),
    })),
  };
}

// The page's controls are reached with the Tab key alone, in the order of the page.
async function tabStops(tab) {
  const stops = [];
  for (let press = 0; press < 80; press += 1) {
    await tab.keyboard.press("Tab");
    const at = await tab.evaluate(() => {
      const e = document.activeElement;
      const look = getComputedStyle(e);
      return { id: e.id, tag: e.tagName, outline: look.outlineStyle !== "none" };
    });
    if (at.tag === "BODY") break;
    stops.push(at);
  }
  return stops;
}

async function byKeyboard(tab) {
  const told = {};
  if (await tab.$("#mix-slider")) {
    await tab.focus("#mix-slider");
    told.mixStart = await tab.evaluate(mixShown);
    await tab.keyboard.press("End");
    told.mixEnd = await tab.evaluate(mixShown);
    await tab.keyboard.press("Home");
    told.mixHome = await tab.evaluate(mixShown);
    await tab.keyboard.press("ArrowRight");
    told.mixStep = await tab.evaluate(mixShown);
    told.spoken = await tab.$eval("#mix-slider", (e) => e.getAttribute("aria-valuetext"));
  }
  if (await tab.$("#player-picker")) {
    await tab.focus("#player-picker");
    told.playerStart = await tab.evaluate(playerShown);
    await tab.keyboard.press("ArrowDown");
    told.playerNext = await tab.evaluate(playerShown);
  }
  return told;
}

async function controls(tab) {
  const tree = await tab.accessibility.snapshot();
  const found = [];
  const walk = (node) => {
    if (["slider", "combobox"].includes(node.role)) found.push({ role: node.role, name: node.name });
    (node.children ?? []).forEach(walk);
  };
  walk(tree);
  return found;
}

const result = {};
for (const [name, width] of Object.entries(WIDTHS)) {
  const { tab, seen } = await open(width, true);
  const axeSays = await violations(tab);
  result[name] = {
    ...axeSays,
    controls: await controls(tab),
    tabStops: await tabStops(tab),
    keyboard: await byKeyboard(tab),
    overflow: await tab.evaluate(() => document.documentElement.scrollWidth - window.innerWidth),
    ...seen,
  };
  if (process.env.PAGE_PICTURES) {
    await tab.screenshot({ path: `${process.env.PAGE_PICTURES}-${name}.png`, fullPage: true });
  }
  await tab.close();
}
const { tab, seen } = await open(WIDTHS.phone, false);
result.withoutScript = {
  hiddenControls: await tab.$$eval("[data-needs-script]", (parts) => parts.every((p) => p.hidden)),
  text: await tab.$eval("#what-if", (part) => part.innerText),
  ...seen,
};
await browser.close();
process.stdout.write(JSON.stringify(result));
