// Looks at a report page in Chromium without a window: pictures at both sizes, light and dark,
// and an accessibility check by axe-core. Needs node and Chromium, nothing else:
//
//   node tests/page/page.mjs shots PAGE.html FOLDER
//   node tests/page/page.mjs axe PAGE.html path/to/axe-core/axe.min.js
//
// PINFEATHER_BROWSER names the browser; `chromium` where it is not set. `axe` ends with status
// 1 where there is a violation or the page scrolls sideways.

import { spawn } from "node:child_process";
import { mkdirSync, mkdtempSync, readFileSync, rmSync, writeFileSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

const SIZES = { wide: [1400, 900], narrow: [390, 844] };
const [what, page, place] = process.argv.slice(2);
if (!["shots", "axe"].includes(what) || !page || !place) {
  console.error("expected: page.mjs shots PAGE FOLDER, or page.mjs axe PAGE AXE");
  process.exit(2);
}

const profile = mkdtempSync(join(tmpdir(), "page-"));
const browser = spawn(process.env.PINFEATHER_BROWSER || "chromium", [
  "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--hide-scrollbars",
  "--remote-debugging-pipe", `--user-data-dir=${profile}`, "about:blank",
], { stdio: ["ignore", "ignore", "ignore", "pipe", "pipe"] });

// The browser's protocol: JSON with a zero byte behind each message.
let last = 0;
const waiting = new Map();
let text = "";
browser.stdio[4].on("data", (bytes) => {
  text += bytes.toString();
  const messages = text.split("\0");
  text = messages.pop();
  for (const message of messages.map((one) => JSON.parse(one))) {
    const { id, error, result } = message;
    if (!waiting.has(id)) continue;
    const { done, failed } = waiting.get(id);
    waiting.delete(id);
    if (error) failed(new Error(error.message));
    else done(result);
  }
});
const ask = (method, params = {}, sessionId = undefined) => new Promise((done, failed) => {
  last += 1;
  waiting.set(last, { done, failed });
  browser.stdio[3].write(`${JSON.stringify({ id: last, method, params, sessionId })}\0`);
});
const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });

const { targetId } = await ask("Target.createTarget", { url: "about:blank" });
const { sessionId } = await ask("Target.attachToTarget", { targetId, flatten: true });
const tab = (method, params) => ask(method, params, sessionId);
const run = async (expression) => {
  const { result, exceptionDetails } = await tab("Runtime.evaluate", { expression, awaitPromise: true, returnByValue: true });
  if (exceptionDetails) throw new Error(exceptionDetails.exception?.description || exceptionDetails.text);
  return result.value;
};
const open = async ([width, height], dark) => {
  await tab("Emulation.setDeviceMetricsOverride", { width, height, deviceScaleFactor: 1, mobile: width < 600 });
  await tab("Emulation.setEmulatedMedia", { features: [
    { name: "prefers-color-scheme", value: dark ? "dark" : "light" },
    { name: "prefers-reduced-motion", value: "reduce" },
  ] });
  await tab("Page.navigate", { url: pathToFileURL(resolve(page)).href });
  for (let i = 0; i < 200 && (await run("document.readyState")) !== "complete"; i += 1) await pause(25);
  await pause(150);
};
const shot = async (name) => {
  const { data } = await tab("Page.captureScreenshot", { format: "png" });
  writeFileSync(join(place, `${name}.png`), Buffer.from(data, "base64"));
};
/// A section from its beginning to its end.
const whole = async (name, id) => {
  const clip = await run(`(() => {
    const box = document.getElementById("${id}").getBoundingClientRect();
    return { x: 0, y: box.top + scrollY, width: innerWidth, height: Math.min(box.height, 6000), scale: 1 };
  })()`);
  const { data } = await tab("Page.captureScreenshot", { format: "png", clip, captureBeyondViewport: true });
  writeFileSync(join(place, `${name}.png`), Buffer.from(data, "base64"));
};

let bad = 0;
for (const [size, pixels] of Object.entries(SIZES)) {
  for (const dark of [false, true]) {
    const mode = `${size}-${dark ? "dark" : "light"}`;
    await open(pixels, dark);
    const sideways = await run("document.documentElement.scrollWidth - document.documentElement.clientWidth");
    if (sideways > 0) {
      bad += 1;
      console.log(`${mode}: the page scrolls sideways by ${sideways} px`);
    }
    if (what === "shots") {
      mkdirSync(place, { recursive: true });
      await shot(`${mode}-overview`);
      await whole(`${mode}-overview-whole`, "overview");
      const sections = await run("[...document.querySelectorAll('section.topic')].map((one) => one.id)");
      for (const id of sections) {
        // A section with everything closed, then with everything open.
        for (const state of ["closed", "open"]) {
          await run(`for (const one of document.querySelectorAll("#${id} details")) one.open = ${state === "open"}`);
          await whole(`${mode}-${id}-${state}`, id);
        }
      }
    } else {
      await run("for (const one of document.querySelectorAll('details')) one.open = true");
      await tab("Runtime.evaluate", { expression: readFileSync(place, "utf8") });
      const { violations } = JSON.parse(await run("axe.run(document, { resultTypes: ['violations'] }).then((found) => JSON.stringify(found))"));
      bad += violations.length;
      const paint = await run("performance.getEntriesByName('first-contentful-paint')[0]?.startTime");
      console.log(`${mode}: ${violations.length} violations; first paint after ${Math.round(paint)} ms`);
      for (const { id, impact, help, nodes } of violations) {
        console.log(`  ${id} (${impact}): ${help}, ${nodes.length} times`);
        for (const node of nodes.slice(0, 4)) console.log(`    ${node.html.slice(0, 160)}`);
      }
    }
  }
}
browser.kill();
await new Promise((done) => { browser.on("exit", done); });
rmSync(profile, { recursive: true, force: true });
process.exit(bad > 0 ? 1 : 0);
