"""QGIS's own GPS panel shows the position that the tee feeds, and QGIS closes well after it.

With the Python of QGIS: python3 tests/window/gps_panel.py. The window is real, on a virtual screen
where there is no other.
"""

import json
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import window

#: What a person does before QGIS is closed.
ENDS = ("stopped", "closed", "disconnected", "connected_elsewhere", "twice")


def shows_and_closes(iface, folder, end):
    from qgis.core import QgsApplication, QgsNmeaConnection, QgsProject
    from qgis.PyQt.QtCore import QBuffer, QCoreApplication, QIODevice, QTimer

    from lakefloor.plugin.water.sources import Tee, gps_panel
    from lakefloor.plugin.water.sources.sentences import sentence

    def wait(seconds):
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            QCoreApplication.processEvents()

    registry, button = QgsApplication.gpsConnectionRegistry(), gps_panel._button()
    rmc = sentence("GPRMC,140003.00,A,4645.00000,N,09200.00000,W,4.3,90.0,090726,,")
    gga = sentence("GPGGA,140003.00,4645.00000,N,09200.00000,W,1,08,1.0,300.0,M,-30.0,M,,")
    tee = Tee(iface.mainWindow())
    for _ in range(2 if end == "twice" else 1):
        tee.start()
        for _ in range(20):
            tee.feed(gga + rmc)
            wait(0.02)
        seen = {
            "down": button.isChecked(),
            "place": [registry.connectionList()[0].currentGPSInformation().latitude],
        }
        if end in ("stopped", "twice"):
            tee.stop()
            seen["down_after"] = button.isChecked()
    if end == "disconnected":
        (getattr(button, "click", None) or button.trigger)()
        tee.feed(gga + rmc)
    if end == "connected_elsewhere":
        device = QBuffer()
        device.open(QIODevice.OpenModeFlag.ReadOnly)
        other = QgsNmeaConnection(device)
        registry.registerConnection(other)
        tee.stop()
        registry.unregisterConnection(other)
    wait(0.3)
    seen["left"] = len(registry.connectionList())
    (folder / "seen.json").write_text(json.dumps(seen), encoding="utf-8")
    QgsProject.instance().setDirty(False)
    QTimer.singleShot(300, iface.actionExit().trigger)


def main():
    for end in ENDS:
        status, log, found = window.in_a_window(__file__, "shows_and_closes", end, timeout=120)
        seen = found.get("seen")
        print(f"{end}: {status} {seen}", flush=True)
        assert status == 0, log
        assert "Abort" not in log, log
        assert seen["down"], "the panel does not show it"
        assert seen["place"] == [46.75]
        assert not seen.get("down_after")
        assert seen["left"] == (1 if end == "closed" else 0)
    print("all held")


if __name__ == "__main__":
    main()
