"""What installs the service for good: a systemd unit, or a container file.

References: systemd.exec(5), systemd.service(5); the OCI container file syntax.
"""

from __future__ import annotations

import getpass
import sys
from collections.abc import Sequence
from pathlib import Path

from twinlapse.capture.systemd_unit import SANDBOX, unit_argument, unit_path

__all__ = ["container_text", "unit_text"]

_UNIT = """\
# twinlapse: waits for prints, captures them and makes their films.
# Save as /etc/systemd/system/twinlapse.service, then:
#   systemctl daemon-reload && systemctl enable --now twinlapse
[Unit]
Description=twinlapse
After=network.target
StartLimitIntervalSec=0

[Service]
Type=notify
User={user}
ExecStart={python} -m twinlapse serve {served} --listen {host} --port {port}{expose}{names}{budget} --quiet
# whatever ended the service: what nobody leases any more is switched off
ExecStopPost={python} -m twinlapse.capture.lease_keeper --once
Restart=on-failure
RestartSec=2
# the keeper of the lamps outlives the service, to switch off what it left on
KillMode=process
RuntimeDirectory=twinlapse
RuntimeDirectoryPreserve=yes
CacheDirectory=twinlapse
Environment=XDG_RUNTIME_DIR=/run/twinlapse XDG_CACHE_HOME=/var/cache/twinlapse
TimeoutStopSec=30

ReadWritePaths={folder}{send_folders}
{sandbox}"""

_CONTAINER = """\
# twinlapse in a container: copy the wheel beside this file and build it. Run it with the cameras' devices,
# the printer's serial line, and a volume at /data. Browsers call it by the name of the machine around it: add
# "--host-name", "board.local" to the last line.
FROM docker.io/library/python:3.12-slim
RUN useradd --create-home --groups video,dialout twinlapse
COPY twinlapse-{version}-py3-none-any.whl /tmp/
RUN pip install --no-cache-dir /tmp/twinlapse-{version}-py3-none-any.whl
USER twinlapse
VOLUME /data
EXPOSE {port}
CMD ["twinlapse", "serve", "/data", "--listen", "0.0.0.0", "--port", "{port}", "--expose"]
"""


def unit_text(
    folder: Path,
    host: str,
    port: int,
    expose: bool,
    budget_gb: float,
    host_names: Sequence[str] = (),
    send_folders: Sequence[str] = (),
) -> str:
    """Return the systemd unit that runs the service for a folder.

    Parameters
    ----------
    host_names : sequence of str
        Further names by which browsers call the service.
    send_folders : sequence of str
        Where files go for the printers: beside its own folder the service may write there alone.

    Raises
    ------
    CaptureError
        when the path of the folder cannot stand in a unit file.
    """
    return _UNIT.format(
        sandbox=SANDBOX,
        user=getpass.getuser(),
        python=unit_argument(sys.executable),
        served=unit_argument(str(folder.resolve())),
        folder=unit_path(str(folder.resolve())),
        send_folders="".join(f" -{unit_path(path)}" for path in send_folders),
        host=host,
        port=port,
        expose=" --expose" if expose else "",
        names="".join(f" --host-name {unit_argument(name)}" for name in host_names),
        budget=f" --budget-gb {budget_gb:g}" if budget_gb else "",
    )


def container_text(port: int, version: str) -> str:
    """Return the container file of a version."""
    return _CONTAINER.format(version=version, port=port)
