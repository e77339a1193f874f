// Pictures of the report at three widths, light, dark and printed; and what axe-core and html-validate say of it.
import { readFileSync, mkdirSync } from "node:fs";
import { createRequire } from "node:module";
import { resolve } from "node:path";
import { pathToFileURL } from "node:url";
import { chromium } from "playwright-core";
import { HtmlValidate } from "html-validate";

const [page_file, folder] = process.argv.slice(2);
const require = createRequire(import.meta.url);
const axe = readFileSync(require.resolve("axe-core/axe.min.js"), "utf8");
mkdirSync(folder, { recursive: true });
let wrong = 0;

const validate = new HtmlValidate({
  extends: ["html-validate:recommended"],
  // Our own writer leaves no white space to speak of, and pictures are drawn in place.
  rules: { "long-title": "off", "no-trailing-whitespace": "off", "void-style": "off", "tel-non-breaking": "off", "prefer-native-element": "off", "no-redundant-role": "off" },
});
const found = await validate.validateString(readFileSync(page_file, "utf8"));
for (const message of found.results.flatMap((r) => r.messages).slice(0, 20)) {
  console.log(`html ${message.line}:${message.column} ${message.ruleId}: ${message.message}`);
  wrong += 1;
}

const browser = await chromium.launch({ executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium", args: ["--no-sandbox"] });
const url = pathToFileURL(resolve(page_file)).href;
for (const width of [360, 800, 1400]) {
  for (const scheme of ["light", "dark"]) {
    const context = await browser.newContext({ viewport: { width, height: 800 }, colorScheme: scheme, deviceScaleFactor: width === 360 ? 2 : 1, bypassCSP: false });
    const page = await context.newPage();
    const asked = [];
    page.on("request", (request) => { if (request.url() !== url) asked.push(request.url()); });
    page.on("console", (message) => { if (message.type() === "error") { console.log(`console: ${message.text()}`); wrong += 1; } });
    await page.goto(url);
    await page.screenshot({ path: `${folder}/${width}-${scheme}.png`, fullPage: true });
    await page.screenshot({ path: `${folder}/${width}-${scheme}-first.png` });
    const wide = await page.evaluate(() => document.documentElement.scrollWidth - document.documentElement.clientWidth);
    if (wide > 0) { console.log(`${width} ${scheme}: ${wide} px wider than the window`); wrong += 1; }
    if (asked.length > 0) { console.log(`asked for ${asked}`); wrong += 1; }
    await context.close();
    // The page lets no script in, so whoever looks at it from within goes round its policy.
    const inside = await browser.newContext({ viewport: { width, height: 800 }, colorScheme: scheme, bypassCSP: true });
    const looked = await inside.newPage();
    await looked.goto(url);
    await looked.evaluate(axe);
    for (const open of [false, true]) {
      await looked.evaluate((open) => document.querySelectorAll("details").forEach((d) => { d.open = open; }), open);
      const { violations } = await looked.evaluate(() => globalThis.axe.run());
      for (const v of violations) {
        console.log(`axe ${width} ${scheme}: ${v.impact} ${v.id}: ${v.help}, ${v.nodes.length} times, ${v.nodes[0]?.html.slice(0, 160)}`);
        if (["serious", "critical"].includes(v.impact)) wrong += 1;
      }
    }
    await inside.close();
  }
}
const context = await browser.newContext({ colorScheme: "dark" });
const page = await context.newPage();
await page.goto(url);
await page.pdf({ path: `${folder}/printed.pdf`, format: "A4" });
await browser.close();
console.log(wrong === 0 ? "nothing found" : `${wrong} found`);
process.exit(wrong === 0 ? 0 : 1);
