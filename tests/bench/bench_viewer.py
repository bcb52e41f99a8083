"""How fast the viewer of a plan is: size of the page, time to open it, time to draw a frame of each layer.

Needs chromium and chromium-driver.

    python tests/bench/bench_viewer.py FILE.gcode [FILE.gcode ...] --rig rig.toml
"""

from __future__ import annotations

import argparse
import json
import os
import runpy
import shutil
import socket
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

from twinlapse.gcode import find_layers, read_toolpath
from twinlapse.motion import time_toolpath
from twinlapse.plan import work_out
from twinlapse.plan.chart import draw_chart
from twinlapse.rig import read_rig

Browser = runpy.run_path(str(Path(__file__).parents[1] / "conftest.py"))["Browser"]
FRAMES = """new Promise(async done => {
  const t = window.twinlapse, spent = [], n = t.data.layer_z_mm.length;
  for (let k = 0; k < 200; k++) {
    t.setLayer(Math.floor(k * n / 200));
    const begin = performance.now();
    t.drawAll();
    spent.push(performance.now() - begin);
    await new Promise(requestAnimationFrame);
  }
  done(spent);
})"""


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("files", nargs="+", type=Path)
    words.add_argument("--rig", type=Path, required=True)
    asked = words.parse_args()
    rig = read_rig(asked.rig)
    with tempfile.TemporaryDirectory() as folder, socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
        free.close()
        driver = subprocess.Popen(["chromedriver", f"--port={port}"], stdout=subprocess.DEVNULL)
        time.sleep(1.0)
        browser = Browser(port, shutil.which("chromium"), Path(folder) / "profile")
        try:
            for file in asked.files:
                path = read_toolpath(file, firmware=rig.printer.firmware)
                layers, timeline = find_layers(path), time_toolpath(path, rig.printer)
                planning = work_out(path, layers, timeline, rig)
                page = Path(folder) / "plan.html"
                begin = time.monotonic()
                draw_chart(planning.plan, path, layers, timeline, rig, page, planning=planning)
                written_s = time.monotonic() - begin
                begin = time.monotonic()
                browser.open(page.as_uri())
                browser.until("document.body.classList.contains('ready')")
                opened_s = time.monotonic() - begin
                frames = sorted(browser.run(FRAMES))
                row = {
                    "file": file.name,
                    "lines": path.line_count,
                    "layers": len(layers),
                    "shots": len(planning.plan.shots),
                    "page_kb": page.stat().st_size // 1000,
                    "written_s": round(written_s, 2),
                    "opened_s": round(opened_s, 2),
                    "frame_ms_median": round(statistics.median(frames), 1),
                    "frame_ms_p95": round(frames[int(0.95 * len(frames))], 1),
                    "load": round(os.getloadavg()[0], 1),
                }
                print(json.dumps(row))
        finally:
            browser.ask("DELETE", "")
            driver.terminate()


if __name__ == "__main__":
    main()
