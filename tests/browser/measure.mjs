// Measures every page given, at the widths given, in headless Chromium with the network cut: how far
// it is wider than its window, which tables are cut, and which parts scroll without saying so.
//
//   node measure.mjs CHROMIUM PROFILE_FOLDER WIDTH,WIDTH PAGE.html [PAGE.html ...]
import path from "node:path";
import { pathToFileURL } from "node:url";
import puppeteer from "puppeteer-core";

const [chromium, profile, widths, ...pages] = process.argv.slice(2);
const browser = await puppeteer.launch({
  executablePath: chromium, userDataDir: profile, pipe: true, headless: true,
  args: ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--disable-dev-shm-usage"],
});
const found = [];
for (const page of pages) {
  for (const width of widths.split(",").map(Number)) {
    const tab = await browser.newPage();
    await tab.setViewport({ width, height: 844 });
    await tab.setOfflineMode(true);
    await tab.goto(pathToFileURL(page).href, { waitUntil: "load" });
    const seen = await tab.evaluate(() => {
      const inside = (e) => e.closest(".wide");
      const wide = [...document.querySelectorAll(".wide")];
      const beyond = (e) => e.getBoundingClientRect().right > window.innerWidth + 1;
      return {
        overflow: document.documentElement.scrollWidth - window.innerWidth,
        cut: [...document.querySelectorAll("table, svg, img, p, li, dd, h1, h2, h3, button")]
          .filter((e) => e.offsetParent !== null || e.tagName === "svg")
          .filter((e) => !inside(e) && beyond(e))
          .map((e) => `${e.tagName} ${e.textContent.trim().slice(0, 40)}`),
        scrolling: wide.filter((e) => e.scrollWidth > e.clientWidth + 1).length,
        unreachable: wide.filter((e) => e.scrollWidth > e.clientWidth + 1)
          .filter((e) => e.tabIndex < 0 || !e.getAttribute("aria-label")).length,
        unsaid: wide.filter((e) => e.scrollWidth > e.clientWidth + 1)
          .filter((e) => !/swipe/i.test(getComputedStyle(e, "::after").content))
          .length,
      };
    });
    found.push({ page: path.basename(page), width, ...seen });
    if (process.env.PAGE_PICTURES) {
      await tab.screenshot({
        path: path.join(process.env.PAGE_PICTURES, `${path.basename(page, ".html")}-${width}.png`),
        fullPage: true,
      });
    }
    await tab.close();
  }
}
await browser.close();
process.stdout.write(JSON.stringify(found));
