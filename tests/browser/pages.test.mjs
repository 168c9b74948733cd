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
const reports = ["demo", "late", "audit", "hundred", "forty", "hostile", "payload"];
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
  assert.deepEqual(await tally(page), ["9 ready", "3 usable, in question", "2 not usable"]);
  assert.ok(await page.locator(".overview svg.strip .sound").first().isVisible());
  assert.equal(await page.locator("audio[controls]").count(), 13, "the browser's own players");
  assert.ok((await page.locator("a.hear").first().getAttribute("href")).startsWith("./audio/"));
  for (const id of ["#tools", "#hearing"]) assert.ok(!(await page.locator(id).isVisible()), `${id} does nothing and is shown`);
  await close();
});

/** The three numbers with their words. */
const tally = page => page.$$eval(".tally div", cells => cells.map(cell => `${cell.querySelector("dd").textContent} ${cell.querySelector("dt").textContent}`));

/** The lower edges of what matches, in pixels from the top of the page; what is not shown has none. */
const bottoms = (page, selector) => page.$$eval(selector, list => list.map(item => {
  const box = item.getBoundingClientRect();
  return box.height > 0 && item.checkVisibility() ? box.bottom + scrollY : Infinity;
}));

for (const name of ["demo", "late", "hundred"]) {
  for (const viewport of [{ width: 1400, height: 900 }, { width: 390, height: 844 }]) {
    test(`${name}, ${viewport.width} px: the first screen says whether one can start`, async () => {
      const { page, close } = await open(name, { viewport });
      if (shots) await page.screenshot({ path: join(shots, `${name}-first-${viewport.width}.png`) });
      const inside = async (selector, least) => {
        const found = await bottoms(page, selector);
        assert.ok(found.length >= least, `${found.length} of ${selector}`);
        assert.ok(Math.max(...found) <= viewport.height, `${selector} ends at ${Math.max(...found)} px`);
      };
      assert.equal((await tally(page)).length, 3);
      for (const selector of ["h1", ".song", ".tally", ".missing", "#client-title", "#engineer-title"]) await inside(selector, 1);
      await inside(".late", name === "demo" ? 0 : 1);
      for (const id of ["client", "engineer"]) {
        const list = `[aria-labelledby=${id}-title]`;
        const many = Number((await page.textContent(`#${id}-title`)).match(/: (\d+)/)[1]);
        await inside(`${list} > ul li`, Math.min(many, 3));
        if (viewport.width > 1000) {
          await inside(`${list} > .few > ul li`, Math.min(Math.max(many - 3, 0), 4));
          await inside(`${list} > .few > .many > summary`, many > 8 ? 1 : 0);
        }
      }
      await close();
    });
  }
}

for (const viewport of [{ width: 1400, height: 900 }, { width: 390, height: 844 }]) {
  test(`forty stems at one look, ${viewport.width} px`, async () => {
    const { page, close } = await open("forty", { viewport });
    const box = await page.$eval(".field", field => {
      field.scrollIntoView({ behavior: "instant" });
      const rows = [...field.querySelectorAll(".row")].map(row => row.getBoundingClientRect());
      return { count: rows.length, top: field.getBoundingClientRect().top, bottom: Math.max(...rows.map(row => row.bottom)), least: Math.min(...rows.map(row => row.height)) };
    });
    assert.equal(box.count, 40);
    assert.ok(box.top >= 0 && box.bottom <= viewport.height, JSON.stringify(box));
    assert.ok(box.least >= 13, "a row is too low to be read");
    if (shots) await page.screenshot({ path: join(shots, `forty-${viewport.width}-overview.png`) });
    await close();
  });
}

test("the drawn height is the amplitude: 40 dB apart are a hundred times apart", async () => {
  const { page, close } = await open("forty", { viewport: { width: 1400, height: 900 } });
  const heights = await page.$$eval(".row", rows => rows.map(row => {
    const path = row.querySelector(".sound"), strip = row.querySelector("svg.strip");
    return { name: row.textContent, height: path?.getBBox().height ?? 0, drawn: path?.getBoundingClientRect().height ?? 0, strip: strip.getBoundingClientRect().height };
  }));
  const loud = heights.find(row => row.name.includes("Kick_In_1")), quiet = heights.find(row => row.name.includes("Kick_Out_1"));
  assert.ok(Math.abs(loud.height / quiet.height / 100 - 1) < 0.02, `${loud.height} and ${quiet.height} units`);
  assert.ok(Math.abs(loud.drawn / quiet.drawn / 100 - 1) < 0.02, `${loud.drawn} and ${quiet.drawn} px`);
  assert.ok(heights.every(row => row.drawn <= row.strip + 0.01), "a wave leaves its row");
  await close();
});

test("groups of one colour have different marks", async () => {
  const { page, close } = await open("hundred");
  const groups = await page.$$eval(".legend span:has(.mark)", list => list.map(item => ({
    name: item.textContent, colour: getComputedStyle(item.querySelector(".key")).backgroundColor, mark: item.querySelector(".mark path").getAttribute("d"),
  })));
  assert.ok(groups.length >= 8);
  assert.equal(new Set(groups.map(group => group.mark)).size, groups.length);
  assert.ok(new Set(groups.map(group => group.colour)).size < groups.length, "no colour is shared: nothing is tested");
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

/** What the players of a page do just now. */
const players = page => page.$$eval("audio", list => list.map(audio => ({
  name: audio.getAttribute("aria-label"), plays: !audio.paused, at: audio.currentTime, volume: audio.volume,
})));
const sounding = async page => (await players(page)).filter(player => player.plays);
const until = (page, act, argument) => page.waitForFunction(act, argument, { timeout: 10_000 });
const playsPast = (page, seconds) => until(page, at => [...document.querySelectorAll("audio")].some(a => !a.paused && a.currentTime > at), seconds);

test("listening: nothing by itself, low, one at a time, at one place", async () => {
  const { page, trouble, close } = await open("demo", { viewport: sizes[0] });
  assert.deepEqual(trouble, [], "sound is fetched before anybody asks");
  const before = await players(page);
  assert.equal(before.length, 13);
  assert.ok(before.every(player => !player.plays && player.volume === 0.25), JSON.stringify(before));
  assert.ok(await page.locator(".caution").isVisible());
  await page.locator("button.hear").nth(1).click();
  await playsPast(page, 0.4);
  const [first] = await sounding(page);
  await page.locator("button.hear").nth(4).click();
  await until(page, name => [...document.querySelectorAll("audio")].some(a => !a.paused && a.getAttribute("aria-label") !== name && a.currentTime > 0.4), first.name);
  const now = await sounding(page);
  assert.equal(now.length, 1, "two stems sound at once");
  assert.ok(now[0].at >= first.at - 0.1, `the place is lost: ${now[0].at} after ${first.at}`);
  assert.equal(await page.locator(".row.sounding").count(), 1);
  assert.equal(await page.locator("button.hear").nth(4).getAttribute("aria-pressed"), "true");
  const strip = page.locator(".row svg.strip").nth(2);
  const box = await strip.boundingBox();
  await strip.click({ position: { x: box.width / 2, y: box.height / 2 } });
  await playsPast(page, 5);
  await page.fill("#volume", "0.1");
  assert.ok((await players(page)).every(player => player.volume === 0.1));
  await page.click("#stop");
  assert.deepEqual(await sounding(page), []);
  // The stem's own player goes on where the song stands.
  const place = Math.max(...(await players(page)).map(player => player.at));
  await page.$eval("audio[data-stem='1']", audio => audio.play());
  await playsPast(page, place - 0.1);
  assert.equal((await sounding(page)).length, 1);
  const inside = `request: ${pathToFileURL(join(pages, "audio")).href}/`;
  const foreign = trouble.filter(line => !line.startsWith(inside));
  assert.deepEqual(foreign, [], "sound leaves the folder");
  await close();
});

test("listening by the keyboard", async () => {
  const { page, close } = await open("demo", { viewport: sizes[0] });
  await page.locator("button.hear").first().focus();
  await page.keyboard.press("ArrowDown");
  await page.keyboard.press("ArrowDown");
  assert.equal(await page.evaluate(() => document.activeElement.closest(".row").dataset.stem), "3");
  await page.keyboard.press("ArrowRight");
  await page.keyboard.press("Space");
  await playsPast(page, 5);
  assert.equal((await sounding(page)).length, 1);
  await page.keyboard.press("ArrowLeft");
  await until(page, () => [...document.querySelectorAll("audio")].some(a => !a.paused && a.currentTime < 4));
  await page.keyboard.press("Escape");
  assert.deepEqual(await sounding(page), []);
  assert.equal(await page.locator("button.hear[tabindex='0']").count(), 1, "the rows are one stop of the Tab key");
  await close();
});

test("listening to a file that is not there says so", async () => {
  const { page, close } = await open("hundred", { viewport: sizes[0] });
  await page.locator("button.hear").first().click();
  await until(page, () => document.getElementById("heard").textContent.includes("cannot be played"));
  assert.match(await page.textContent("#heard"), /is not beside this page, or this browser does not play/);
  assert.deepEqual(await sounding(page), []);
  await close();
});

test("listening to a container that the browser does not play says so", async () => {
  const { page, close } = await open("demo", { viewport: sizes[0] });
  // As a recipe that writes AIFF would have it; this browser plays none.
  await page.$eval("audio[data-stem='1']", audio => audio.setAttribute("src", "./audio/01.aif"));
  await page.locator("button.hear").first().click();
  assert.match(await page.textContent("#heard"), /does not play \.aif files/);
  await close();
});

test("printing", async () => {
  const { page, close } = await open("demo", { colorScheme: "dark" });
  await page.emulateMedia({ media: "print" });
  const gaps = await page.$$eval(".shared dl div", rows => rows.map(row => {
    const boxes = name => {
      const range = document.createRange();
      range.selectNodeContents(row.querySelector(name));
      return [...range.getClientRects()];
    };
    const end = Math.max(...boxes("dt").map(box => box.right)), start = Math.min(...boxes("dd").map(box => box.left));
    return { words: row.textContent.slice(0, 40), gap: start - end };
  }));
  for (const { words, gap } of gaps) assert.ok(gap >= 4, `"${words}": ${gap} px between a name and its value`);
  for (const selector of ["#tools", "#hearing", "audio >> nth=0", ".hear >> nth=0"]) {
    assert.ok(!(await page.locator(selector).isVisible()), `${selector} on paper`);
  }
  assert.equal(await page.evaluate(() => getComputedStyle(document.body).backgroundColor), "rgb(255, 255, 255)");
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  assert.ok(wide <= 0);
  const options = { format: "A4", landscape: true };
  if (shots) options.path = join(shots, "demo.pdf");
  assert.ok((await page.pdf(options)).length > 20_000);
  await close();
});

// A4 has 210 by 297 mm; the margins are 12 mm, and a CSS pixel is 1/96 inch: 186 by 273 mm are 703 by 1031 px.
for (const [name, sheet] of [["demo", { width: 1031, height: 703 }], ["forty", { width: 1031, height: 703 }], ["forty", { width: 703, height: 1031 }]]) {
  test(`${name}: the overview is on the first printed sheet of ${sheet.width} px`, async () => {
    const { page, close } = await open(name, { viewport: sheet });
    await page.emulateMedia({ media: "print" });
    if (shots) await page.screenshot({ path: join(shots, `${name}-print-${sheet.width}.png`) });
    const rows = await bottoms(page, ".row");
    assert.ok(rows.length > 10 && Math.max(...rows) <= sheet.height, `the last row ends at ${Math.max(...rows)} px`);
    await close();
  });
}

test("a hundred rows begin on the first printed sheet, and can be read", async () => {
  const { page, close } = await open("hundred", { viewport: { width: 1031, height: 703 } });
  await page.emulateMedia({ media: "print" });
  if (shots) await page.screenshot({ path: join(shots, "hundred-print-1031.png") });
  const rows = await bottoms(page, ".row");
  assert.ok(rows[0] < 703 && rows[40] < 703, "the overview begins too late");
  assert.ok((rows[99] - rows[0]) / 99 >= 7.9, "its rows are too low to be read");
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
