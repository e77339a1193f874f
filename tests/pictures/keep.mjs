// The README's pictures: the report on a phone and on a desk, and what `status` prints.
import { readFileSync } from "node:fs";
import { resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const [page_file, status_file, folder] = process.argv.slice(2);
const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox"] });
for (const [name, width, height, scale] of [["phone", 360, 720, 2], ["desk", 960, 900, 1]]) {
  const page = await browser.newPage({ viewport: { width, height }, deviceScaleFactor: scale, colorScheme: "light" });
  await page.goto(pathToFileURL(resolve(page_file)).href);
  // The phone shows how the page begins, the desk the pictures.
  if (name === "desk") await page.locator("svg").first().evaluate((svg) => { svg.scrollIntoView(); window.scrollBy(0, -120); });
  await page.screenshot({ path: `${folder}/${name}.png` });
}
const page = await browser.newPage({ viewport: { width: 400, height: 300 }, deviceScaleFactor: 1.5 });
await page.setContent("<pre style='margin:0;padding:12px;display:inline-block;font:13px/1.35 monospace;color:#1c1c1c;background:#fff'></pre>");
await page.locator("pre").evaluate((pre, text) => { pre.textContent = text; }, readFileSync(status_file, "utf8").trimEnd());
await page.locator("pre").screenshot({ path: `${folder}/status.png` });
await browser.close();
