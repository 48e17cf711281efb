#!/usr/bin/env python3
"""Report pages in a real headless Chromium: `page.py WORK PAGE.html...`

Each page is opened from a file: no error on the console, no request but for itself, nothing wider than a phone of
360 px, every text with the contrast that WCAG 2.2 asks for at level AA, and printed on A4 and Letter with every word
inside the margins. Leaves pictures and PDFs in WORK.

Sources: W3C, Web Content Accessibility Guidelines 2.2 (relative luminance, contrast ratio, success criterion 1.4.3:
4.5, or 3 for large text; 1.4.10: no scrolling in two directions at 320 px); Chrome DevTools Protocol 1.3.
"""

import base64
import json
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import time
import xml.etree.ElementTree

import websocket

from check import Checks

FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--hide-scrollbars", "--disable-extensions",
    "--remote-debugging-port=0", "--remote-allow-origins=*",
]
PAPERS = {"a4": (8.268, 11.693), "letter": (8.5, 11.0)}
PHONES = [320, 360]

# Every text that is seen: its colour against the nearest ground behind it; a plot's against each of its grounds.
CONTRAST = """
(() => {
  const parse = text => (text.match(/[\\d.]+/g) || []).map(Number);
  const hex = text => [1, 3, 5].map(at => parseInt(text.slice(at, at + 2), 16));
  const luminance = rgb => rgb.map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ratio = (a, b) => { const [x, y] = [luminance(a), luminance(b)].sort((m, n) => n - m); return (x + 0.05) / (y + 0.05); };
  const ground = element => {
    for (let at = element; at; at = at.parentElement) {
      const rgba = parse(getComputedStyle(at).backgroundColor);
      if (rgba.length === 3 || rgba[3] === 1) return rgba.slice(0, 3);
    }
    return [255, 255, 255];
  };
  const found = [];
  for (const element of document.querySelectorAll('body *:not(svg):not(svg *)')) {
    const text = [...element.childNodes].filter(node => node.nodeType === 3).map(node => node.data.trim()).join('');
    if (!text || !element.getClientRects().length) continue;
    const style = getComputedStyle(element);
    const size = parseFloat(style.fontSize), bold = parseInt(style.fontWeight) >= 700;
    const least = size >= 24 || (bold && size >= 18.66) ? 3 : 4.5;
    const is = ratio(parse(style.color).slice(0, 3), ground(element));
    found.push({ text: text.slice(0, 40), is, least });
  }
  for (const svg of document.querySelectorAll('svg')) {
    const rects = [...svg.querySelectorAll('rect')].map(rect => [rect.getAttribute('fill'), rect.getBBox()])
      .filter(([fill]) => /^#[0-9a-f]{6}$/i.test(fill));
    for (const text of svg.querySelectorAll('text')) {
      if (!text.getClientRects().length) continue;
      const box = text.getBBox();
      const under = rects.filter(([, at]) => at.x < box.x + box.width && box.x < at.x + at.width
        && at.y < box.y + box.height && box.y < at.y + at.height).map(([fill]) => fill);
      const grounds = ['#FFFFFF', ...under].map(hex);
      const behind = grounds.length ? Math.min(...grounds.map(rgb => ratio(hex(text.getAttribute('fill')), rgb))) : 21;
      found.push({ text: text.textContent.slice(0, 40), is: behind, least: 4.5 });
      const view = svg.viewBox.baseVal;
      if (box.x < -1 || box.x + box.width > view.width + 1 || box.y + box.height > view.height + 3)
        found.push({ text: 'outside of its plot: ' + text.textContent, is: 0, least: 4.5 });
    }
  }
  return JSON.stringify({ texts: found.length, faults: found.filter(one => one.is < one.least).slice(0, 5) });
})()
"""

WIDTH = """
(() => {
  const wide = document.documentElement.clientWidth;
  const out = [...document.querySelectorAll('body *')].filter(one => one.getClientRects().length &&
    !one.closest('thead') && one.getBoundingClientRect().right > wide + 0.5).map(one => one.tagName + ' ' + one.textContent.slice(0, 40));
  return JSON.stringify({ wide, scroll: document.documentElement.scrollWidth, out: out.slice(0, 5) });
})()
"""


class Browser:
    """One page of a Chromium of our own, spoken to through its debugging port."""

    def __init__(self, program):
        self.folder = tempfile.mkdtemp(prefix="chromium-")
        self.process = subprocess.Popen([program, *FLAGS, f"--user-data-dir={self.folder}", "about:blank"],
                                        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        port = pathlib.Path(self.folder, "DevToolsActivePort")
        for _ in range(600):
            if port.exists() and port.read_text().count("\n") >= 1:
                break
            time.sleep(0.1)
        lines = port.read_text().split()
        self.socket = websocket.create_connection(f"ws://127.0.0.1:{lines[0]}{lines[1]}", timeout=60)
        self.last, self.events, self.session = 0, [], None
        target = next(one for one in self.call("Target.getTargets")["targetInfos"] if one["type"] == "page")
        attached = self.call("Target.attachToTarget", targetId=target["targetId"], flatten=True)
        self.session = attached["sessionId"]
        for domain in ("Page", "Network", "Log", "Runtime"):
            self.call(f"{domain}.enable")

    def call(self, method, **params):
        self.last += 1
        message = {"id": self.last, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        self.socket.send(json.dumps(message))
        while True:
            got = json.loads(self.socket.recv())
            if got.get("id") == self.last:
                if "error" in got:
                    raise RuntimeError(f"{method}: {got['error']}")
                return got["result"]
            self.events.append(got)

    def open(self, url):
        self.events.clear()
        self.call("Page.navigate", url=url)
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events):
            self.events.append(json.loads(self.socket.recv()))
        self.call("Runtime.evaluate", expression="new Promise(done => setTimeout(done, 200))", awaitPromise=True)

    def of(self, *methods):
        return [event["params"] for event in self.events if event.get("method") in methods]

    def width(self, width, height=800, scale=1):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=scale,
                  mobile=width < 700)

    def ask(self, expression):
        return json.loads(self.call("Runtime.evaluate", expression=expression)["result"]["value"])

    def close(self):
        try:
            self.call("Browser.close")
        except (RuntimeError, websocket.WebSocketException, OSError):
            pass
        try:
            self.process.wait(timeout=20)
        except subprocess.TimeoutExpired:
            self.process.kill()
        shutil.rmtree(self.folder, ignore_errors=True)


def words_of(html):
    """The words of a page that are to be found on paper."""
    body = re.sub(r"(?s)<style.*?</style>|<title.*?</title>|<svg.*?</svg>", " ", html)
    text = re.sub(r"<[^>]*>", " ", body)
    for code, sign in (("&quot;", '"'), ("&lt;", "<"), ("&gt;", ">"), ("&amp;", "&")):
        text = text.replace(code, sign)
    return re.findall(r"[A-Za-z]{4,}", text)


def printed(checks, browser, work, page, html):
    for name, (width, height) in PAPERS.items():
        pdf = browser.call("Page.printToPDF", paperWidth=width, paperHeight=height, printBackground=False,
                           preferCSSPageSize=False)
        path = work / f"{page.stem}.{name}.pdf"
        path.write_bytes(base64.b64decode(pdf["data"]))
        boxes = subprocess.run(["pdftotext", "-bbox", path, "-"], capture_output=True, text=True, check=True).stdout
        tree = xml.etree.ElementTree.fromstring(re.sub(r"<!DOCTYPE[^>]*>|xmlns=\"[^\"]*\"", "", boxes))
        outside, there = [], []
        for sheet in tree.iter("page"):
            wide, high = float(sheet.get("width")), float(sheet.get("height"))
            for word in sheet.iter("word"):
                there.append(word.text or "")
                left, right = float(word.get("xMin")), float(word.get("xMax"))
                top, bottom = float(word.get("yMin")), float(word.get("yMax"))
                # 14 mm are 39.7 points: half of that is what printers need.
                if left < 20 or right > wide - 20 or top < 20 or bottom > high - 20:
                    outside.append(word.text)
        checks.that(there and not outside, f"{page.name}: every word lies inside the margins of {name}", outside[:5])
        whole = "".join(there)
        missing = [word for word in words_of(html) if word not in whole]
        checks.that(not missing, f"{page.name}: nothing of it is missing on {name}", missing[:5])
        size = tree.find(".//page")
        fits = abs(float(size.get("width")) - width * 72) < 1.5
        checks.that(fits, f"{page.name}: printed on {name}", size.attrib)


def judge(checks, browser, work, page):
    html = page.read_text(encoding="utf-8")
    browser.width(1100)
    browser.open(page.resolve().as_uri())
    asked = [one["request"]["url"] for one in browser.of("Network.requestWillBeSent")]
    asked = [url for url in asked if not url.startswith("data:")]
    checks.that(asked == [page.resolve().as_uri()], f"{page.name}: asks for nothing but itself", asked)
    said = [one["entry"]["text"] for one in browser.of("Log.entryAdded")]
    said += [str(one) for one in browser.of("Runtime.consoleAPICalled", "Runtime.exceptionThrown")]
    checks.that(not said, f"{page.name}: nothing on the console", said)
    for width in [*PHONES, 1100]:
        browser.width(width, scale=2 if width < 700 else 1)
        found = browser.ask(WIDTH)
        checks.that(found["scroll"] <= width and not found["out"], f"{page.name}: fits {width} px", found)
        contrast = browser.ask(CONTRAST)
        checks.that(contrast["texts"] > 10 and not contrast["faults"], f"{page.name}: contrast AA at {width} px",
                    contrast)
        shot = browser.call("Page.captureScreenshot", captureBeyondViewport=True)
        (work / f"{page.stem}.{width}.png").write_bytes(base64.b64decode(shot["data"]))
        if width == 360:
            first = browser.ask("JSON.stringify((r => r ? r.bottom : 0)(document.querySelector('.six')"
                                "?.getBoundingClientRect()))")
            checks.that(0 < first <= 800, f"{page.name}: six lines on the first screen of a phone", first)
    browser.width(1100)
    printed(checks, browser, work, page, html)


def faulty(checks, browser, work):
    """A page with every fault must be refused by every check."""
    page = work / "faulty.html"
    page.write_text("<!doctype html><meta charset=utf-8><p style='color:#aaa'>pale words</p>"
                    "<div style='width:900px'>wide</div><img src='http://127.0.0.1:9/none.png'>"
                    "<p style='position:absolute;left:-60px'>outside</p><script>console.error('no')</script>"
                    + "<p>text</p>" * 12)
    inner = Checks(quiet=True)
    judge(inner, browser, work, page)
    for what in ("asks for nothing", "nothing on the console", "fits 360 px", "contrast AA at 360 px",
                 "six lines", "missing on a4"):
        checks.that(any(what in name for name in inner.failed), f"a faulty page is refused: {what}", inner.failed)


def main():
    work, pages = pathlib.Path(sys.argv[1]), [pathlib.Path(name) for name in sys.argv[2:]]
    work.mkdir(parents=True, exist_ok=True)
    program = next((path for path in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if path), None)
    checks = Checks()
    if not checks.that(program is not None, "a Chromium is there"):
        return checks.close()
    browser = Browser(program)
    try:
        faulty(checks, browser, work)
        for page in pages:
            judge(checks, browser, work, page)
    finally:
        browser.close()
    return checks.close()


if __name__ == "__main__":
    sys.exit(main())
