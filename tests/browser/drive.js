// Drives the page in a real browser, from file://, as a user would, and writes what it saw as JSON. Started by test_page.py:
//   node drive.js BROWSER EXECUTABLE JOB.json
const puppeteer = require('puppeteer-core');
const fs = require('fs');
const axe = fs.readFileSync(require.resolve('axe-core/axe.min.js'), 'utf-8');

const [browserName, executablePath, jobPath] = process.argv.slice(2);
const job = JSON.parse(fs.readFileSync(jobPath, 'utf-8'));
const chromium = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking',
  '--disable-component-update', '--disable-sync'];

async function settle(page) { await page.evaluate(() => new Promise((done) => requestAnimationFrame(() => setTimeout(done, 0)))); }

async function type(page, selector, text) {
  await page.evaluate((css, value) => {
    const input = document.querySelector(css);
    input.focus();
    input.value = value;
    input.dispatchEvent(new Event('input', {bubbles: true}));
  }, selector, text);
  await settle(page);
}

function table(page, id) {
  return page.evaluate((which) => Array.from(document.querySelectorAll('#' + which + ' tr'), (row) => Array.from(row.cells, (cell) => cell.textContent)), id);
}

function text(page, selector) { return page.$eval(selector, (one) => one.textContent); }

function valueRow(page, address) {
  return page.evaluate((id) => Array.from(document.getElementById(id).closest('tr').cells, (cell) => cell.textContent), 'value-' + address);
}

async function open(browser, path, errors) {
  const page = await browser.newPage();
  page.on('pageerror', (error) => errors.push(String(error.message || error)));
  page.on('request', (request) => { if (!/^(file|blob|data):/.test(request.url())) { errors.push('asked for ' + request.url()); } });
  await page.setViewport({width: 1280, height: 900});
  await page.goto('file://' + path);
  await settle(page);
  return page;
}

async function main() {
  const browser = await puppeteer.launch(browserName === 'firefox'
    ? {browser: 'firefox', executablePath, headless: true}
    : {executablePath, headless: true, args: chromium});
  const errors = [], seen = {errors};
  try {
    const page = await open(browser, job.page, errors);
    seen.first = await text(page, '#status');

    await type(page, '#' + CSS(job.value.id), job.value.given);
    seen.value = await valueRow(page, job.value.address);
    seen.hex = await page.$eval('#hex', (one) => one.value);
    await type(page, '#' + CSS(job.value.id), job.value.wrong);
    seen.fault = await text(page, '#faults');
    await type(page, '#' + CSS(job.value.id), job.value.given);

    await type(page, '#hex', job.pasted);
    seen.pasted = {status: await text(page, '#status'), row: await valueRow(page, job.value.address)};
    await type(page, '#hex', 'zz');
    seen.junk = await text(page, '#status');
    await type(page, '#hex', job.pasted);

    await page.click('#strip [data-bit="' + job.bit + '"]');
    await settle(page);
    seen.flipped = {status: await text(page, '#status'), checks: await table(page, 'checks')};
    await page.keyboard.press('ArrowRight');
    await page.keyboard.press(' ');
    await settle(page);
    seen.keyboard = {status: await text(page, '#status'), focused: await page.evaluate(() => document.activeElement.dataset.bit)};
    await page.keyboard.press('ArrowDown');
    await page.keyboard.press('Home');
    seen.home = await page.evaluate(() => document.activeElement.dataset.bit);
    await page.click('#mend');
    await settle(page);
    seen.mended = await text(page, '#status');

    await page.select('#kind', '1');
    await type(page, '#times', '200');
    await page.click('#damage');
    await settle(page);
    seen.one = await table(page, 'missed');
    await page.select('#kind', 'swap');
    await page.click('#damage');
    await settle(page);
    seen.swapped = await table(page, 'missed');

    seen.division = await text(page, '#division');
    if (job.edit) {
      await type(page, '[aria-label="' + job.edit.address + ': step"]', job.edit.step);
      await page.select('#radio-spreading_factor', job.edit.spreading_factor);
      await settle(page);
      seen.edits = await table(page, 'edits');
      seen.costs = await table(page, 'costs');
      seen.schema = await page.evaluate(() => self.packetkitPage.editedSchema());
      await page.click('#save');
    }
    await page.evaluate((at) => { const one = document.getElementById('lost'); one.value = at; one.dispatchEvent(new Event('input')); }, job.lost);
    seen.streams = await page.evaluate(() => Array.from(document.querySelectorAll('#streams .frames'),
      (row) => Array.from(row.children, (one) => one.className === 'lost')));
    seen.airtimes = await page.evaluate((sizes) => {
      const radio = JSON.parse(document.getElementById('facts').textContent).radio;
      return radio ? radio.rows.map((row) => [row.spreading_factor, row.bandwidth_khz, row.coding_rate,
        sizes.map((size) => self.packetkitPage.airtimeMs(row, size))]) : [];
    }, job.sizes);
    seen.counts = await page.evaluate((asked) => asked.map((one) => self.packetkitPage.framesIn(...one)), job.counts);
    seen.checks = await page.evaluate(() => {
      const facts = JSON.parse(document.getElementById('facts').textContent), digits = Array.from('123456789', (one) => one.charCodeAt(0));
      return facts.checks.map((row) => [row.name, self.packetkitPage.taught(row, digits)]);
    });

    seen.tabs = await page.evaluate(() => document.querySelectorAll('#strip button[tabindex="0"]').length);
    await page.evaluate(axe);
    seen.axe = await page.evaluate(async () => {
      const found = await self.axe.run(document, {resultTypes: ['violations']});
      return found.violations.map((one) => [one.id, one.impact, one.nodes.length, one.nodes[0].html.slice(0, 160)]);
    });
    await page.select('#language', 'de');
    await settle(page);
    seen.german = {heading: await text(page, '#h-values'), status: await text(page, '#status'), lang: await page.evaluate(() => document.documentElement.lang)};

    seen.names = await page.evaluate(() => {
      const all = [...document.querySelectorAll('#strip .name')];
      return {all: all.length, cut: all.filter((one) => one.scrollWidth > one.clientWidth || one.scrollHeight > one.clientHeight).map((one) => one.textContent)};
    });
    seen.widths = {};
    for (const width of [360, 1920]) {
      await page.setViewport({width, height: 900});
      await settle(page);
      seen.widths[width] = await page.evaluate(() => document.documentElement.scrollWidth);
      await page.screenshot({path: job.shots + '/' + browserName + '-' + width + '.png', fullPage: width !== 360});
    }
    await page.setViewport({width: 1280, height: 900});
    if (browserName !== 'firefox') {
      seen.pdf = (await page.pdf({format: 'A4'})).length;
      await page.emulateCPUThrottling(4);
      const begun = Date.now();
      await page.reload();
      await page.waitForSelector('#strip button');
      seen.ready_ms = Date.now() - begun;
      seen.keystroke_ms = await page.evaluate((id) => {
        const input = document.getElementById(id), begin = performance.now();
        input.value += '1';
        input.dispatchEvent(new Event('input', {bubbles: true}));
        return performance.now() - begin;
      }, job.value.id);
      await page.emulateCPUThrottling(null);
    }
    await page.close();

    seen.vectors = [];
    for (const one of job.vectors) {
      const other = await open(browser, one.page, errors);
      seen.vectors.push(await other.evaluate((variable, cases) => cases.map(([frame, subject, isRecord]) => {
        const codec = self[variable].frames[frame];
        try {
          if (isRecord) { return Array.from(codec.encode(subject), (octet) => octet.toString(16).padStart(2, '0')).join(''); }
          return codec.decode(Uint8Array.from(subject.match(/../g) || [], (pair) => parseInt(pair, 16)));
        } catch (error) { return error.reason ? {reason: error.reason} : {refused: true}; }
      }), one.variable, one.cases));
      await other.close();
    }

    const varied = await open(browser, job.varied.page, errors);
    seen.varied = {first: await text(varied, '#status')};
    await varied.select('#' + CSS(job.varied.variant[0]), job.varied.variant[1]);
    for (const [id, value] of job.varied.typed) { await type(varied, '#' + CSS(id), value); }
    Object.assign(seen.varied, await varied.evaluate(() => ({status: document.getElementById('status').textContent,
      faults: document.getElementById('faults').textContent, hex: document.getElementById('hex').value,
      names: Array.from(document.querySelectorAll('#strip .name'), (one) => one.textContent)})), {rows: await table(varied, 'values')});

    const hostile = await open(browser, job.hostile, errors);
    seen.hostile = await hostile.evaluate(() => ({status: document.getElementById('status').textContent,
      scripts: document.scripts.length, images: document.images.length, ran: typeof self.ran, words: document.getElementById('description').textContent}));
  } finally {
    await browser.close();
  }
  process.stdout.write(JSON.stringify(seen));
}

function CSS(id) { return id.replace(/[.[\]]/g, (one) => '\\' + one); }

main().catch((error) => { process.stderr.write(String(error.stack || error) + '\n'); process.exit(1); });
