// The pages in a real browser: they open from the disk, ask for nothing, do what they promise, and can be used by all.
// Run with: node --test tests/browser/pages.test.mjs
// The pages come from the tests of the workspace (`cargo test -p loadin-tests report`).
// PAGES names their folder, CHROMIUM the browser; SHOTS, where it is given, a folder for pictures to look at.

import assert from "node:assert/strict";
import { existsSync, mkdirSync, readFileSync } from "node:fs";
import { createRequire } from "node:module";
import { dirname, join, resolve } from "node:path";
import { after, before, test } from "node:test";
import { fileURLToPath, pathToFileURL } from "node:url";
import { chromium } from "playwright-core";

const here = dirname(fileURLToPath(import.meta.url));
const pages = resolve(process.env.PAGES ?? join(here, "../../target/tmp/pages"));
const shots = process.env.SHOTS;
const axe = readFileSync(createRequire(import.meta.url).resolve("axe-core/axe.min.js"), "utf8");
const reports = ["demo", "audit", "hundred", "hostile", "payload"];
const all = [...reports, "index"];
const sizes = [{ width: 1280, height: 860 }, { width: 400, height: 800 }];

let browser;
before(async () => {
  const executablePath = process.env.CHROMIUM ?? ["/usr/bin/chromium", "/usr/bin/chromium-browser"].find(existsSync);
  // In a container the browser has no sandbox of its own to set up; the pages are ours.
  browser = await chromium.launch({ executablePath, args: ["--no-sandbox"] });
});
after(() => browser?.close());

/** Opens a page; `trouble` collects errors, and requests for anything but the page itself. */
async function open(name, options = {}) {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  const address = pathToFileURL(join(pages, `${name}.html`)).href;
  const trouble = [];
  page.on("console", message => ["error", "warning"].includes(message.type()) && trouble.push(message.text()));
  page.on("pageerror", error => trouble.push(error.message));
  page.on("request", request => request.url() !== address && trouble.push(`request: ${request.url()}`));
  await page.goto(address);
  return { page, trouble, close: () => context.close() };
}

const order = page => page.$$eval("table.stems tbody:not([hidden])", list => list.map(stem => stem.dataset));
const focused = page => page.evaluate(() => document.activeElement.closest("tbody")?.id);

for (const name of all) {
  for (const viewport of sizes) {
    for (const colorScheme of ["light", "dark"]) {
      test(`${name}, ${viewport.width} px, ${colorScheme}: no error, no request, no serious fault for anybody`, async () => {
        const { page, trouble, close } = await open(name, { viewport, colorScheme });
        const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
        assert.ok(wide <= 0, `the page is ${wide} px wider than the window`);
        if (shots) {
          mkdirSync(shots, { recursive: true });
          const path = part => join(shots, `${name}-${viewport.width}-${colorScheme}${part}.png`);
          await page.screenshot({ path: path("") });
          const height = await page.evaluate(() => document.documentElement.scrollHeight);
          await page.screenshot({ path: path("-long"), fullPage: true, clip: { x: 0, y: 0, width: viewport.width, height: Math.min(height, 2600) } });
        }
        // As an expression of the debugger: the page's own policy would rightly refuse it as a script.
        await page.evaluate(axe);
        const found = await page.evaluate(() => globalThis.axe.run(document, { resultTypes: ["violations"] }));
        const serious = found.violations.filter(fault => ["serious", "critical"].includes(fault.impact));
        const words = serious.map(fault => `${fault.id}: ${fault.help}: ${fault.nodes.slice(0, 3).map(n => n.html.slice(0, 160)).join(" | ")}`);
        assert.deepEqual(words, []);
        assert.ok(found.passes.length > 10, "the engine has looked at nothing");
        assert.deepEqual(trouble, []);
        await close();
      });
    }
  }
}

for (const name of ["hostile", "payload"]) {
  for (const bypassCSP of [false, true]) {
    test(`${name}: names do not act, ${bypassCSP ? "even without" : "with"} the page's policy`, async () => {
      const { page, close } = await open(name, { bypassCSP });
      for (const stem of await page.$$("table.stems th")) await stem.hover();
      assert.equal(await page.evaluate(() => globalThis.hurt), undefined);
      await close();
    });
  }
}

test("hostile names stay in their column and can be read", async () => {
  const { page, close } = await open("hostile", { viewport: sizes[0] });
  const boxes = await page.$$eval("th .label, th .file", list => list.map(item => {
    const box = item.getBoundingClientRect(), cell = item.closest("th").getBoundingClientRect();
    return { text: item.textContent, inside: box.right <= cell.right + 1 && box.height > 0 };
  }));
  assert.ok(boxes.length > 9);
  assert.deepEqual(boxes.filter(box => !box.inside), []);
  assert.ok(boxes.some(box => box.text.includes("שלום עולם")));
  await close();
});

test("the page can be read without JavaScript", async () => {
  const { page, close } = await open("demo", { javaScriptEnabled: false });
  assert.equal(await page.locator("table.stems tbody").count(), 15);
  assert.ok(await page.getByText("9 stems ready, 3 usable but in question, 2 not usable.").isVisible());
  assert.ok(!(await page.locator("#tools").isVisible()), "controls that do nothing are shown");
  await close();
});

test("the answer fits the first screen", async () => {
  const { page, close } = await open("demo", { viewport: sizes[0] });
  const bottom = await page.evaluate(() => document.querySelector(".caution").getBoundingClientRect().bottom);
  assert.ok(bottom <= 860, `it ends at ${bottom} px`);
  await close();
});

test("sorting", async () => {
  const { page, close } = await open("hundred");
  const by = async (value, key, right) => {
    await page.selectOption("#order", value);
    const list = (await order(page)).map(data => data[key]);
    assert.equal(list.length, 100);
    for (let i = 1; i < list.length; i++) assert.ok(right(list[i - 1], list[i]), `${value}: ${list[i - 1]} before ${list[i]}`);
  };
  await by("name", "name", (a, b) => a.localeCompare(b, "en", { numeric: true }) <= 0);
  await by("peak", "peak", (a, b) => Number(a) >= Number(b));
  await by("worst", "worst", (a, b) => Number(a) >= Number(b));
  await by("order", "order", (a, b) => Number(a) < Number(b));
  await close();
});

test("filtering by state, finding and text", async () => {
  const { page, close } = await open("demo");
  const show = async value => {
    await page.selectOption("#filter", value);
    return (await order(page)).map(data => data.name);
  };
  assert.deepEqual(await show("state failed"), ["OrchardSignal_125bpm_Dm_Tamb.wav"]);
  assert.deepEqual(await show("finding dead-channel"), ["OrchardSignal_125bpm_Dm_Hats.flac"]);
  assert.equal((await show("needs")).length, 5);
  assert.match(await page.textContent("#shown"), /^5 of 15/);
  assert.equal((await show("")).length, 15);
  await page.fill("#search", "BV Low");
  assert.equal((await order(page)).length, 2);
  await page.fill("#search", "nothing has this name");
  assert.ok(await page.locator("#none").isVisible());
  await page.press("#search", "Escape");
  assert.equal((await order(page)).length, 15);
  await close();
});

test("keys", async () => {
  const { page, close } = await open("demo");
  await page.keyboard.press("n");
  assert.equal(await focused(page), undefined, "a letter acts while the list has no focus");
  await page.focus("#search");
  await page.keyboard.press("Tab");
  assert.equal(await focused(page), "s1", "the list is one stop of the Tab key");
  await page.keyboard.press("ArrowDown");
  assert.equal(await focused(page), "s2");
  await page.keyboard.press("n");
  assert.equal(await focused(page), "s4", "the hats have the next finding");
  await page.keyboard.press("p");
  assert.equal(await focused(page), "s2");
  await page.keyboard.press("End");
  assert.equal(await focused(page), "s15");
  await page.keyboard.press("Home");
  assert.equal(await focused(page), "s1");
  await page.keyboard.press("/");
  assert.equal(await page.evaluate(() => document.activeElement.id), "search");
  await close();
});

test("printing", async () => {
  const { page, close } = await open("demo", { colorScheme: "dark" });
  await page.emulateMedia({ media: "print" });
  assert.ok(!(await page.locator("#tools").isVisible()), "controls on paper");
  assert.equal(await page.evaluate(() => getComputedStyle(document.body).backgroundColor), "rgb(255, 255, 255)");
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  assert.ok(wide <= 0);
  const options = { format: "A4", landscape: true };
  if (shots) options.path = join(shots, "demo.pdf");
  assert.ok((await page.pdf(options)).length > 20_000);
  await close();
});

// Figures to look at, never asserted.
test("how fast a hundred stems are", async context => {
  const { page, close } = await open("hundred");
  const load = await page.evaluate(() => performance.getEntriesByType("navigation")[0].loadEventEnd);
  const time = act => page.evaluate(([id, value]) => new Promise(done => {
    const begun = performance.now();
    const control = document.getElementById(id);
    control.value = value;
    control.dispatchEvent(new Event("input", { bubbles: true }));
    requestAnimationFrame(() => setTimeout(() => done(performance.now() - begun)));
  }), act);
  const words = [`loaded in ${load.toFixed(0)} ms`];
  for (const act of [["order", "peak"], ["filter", "needs"], ["filter", ""], ["search", "vox"]]) {
    words.push(`${act.join(" ").trim()}: ${(await time(act)).toFixed(0)} ms`);
  }
  context.diagnostic(words.join(", "));
  await close();
});
