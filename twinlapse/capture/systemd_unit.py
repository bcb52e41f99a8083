"""The systemd unit that runs the service, with no more rights than it needs.

Reference: systemd.exec(5), systemd.service(5).
"""

from __future__ import annotations

import getpass
import sys
from pathlib import Path

from twinlapse.capture.layer_check_worker import planned_checks
from twinlapse.capture.trust import commands_of, digest_of
from twinlapse.errors import CaptureError
from twinlapse.frames.job import rig_of
from twinlapse.shots import read_plan

__all__ = ["SANDBOX", "make_unit", "unit_argument", "unit_path"]

# what every service of ours gives up, and the devices it keeps; the end of a unit
SANDBOX = """\
NoNewPrivileges=yes
CapabilityBoundingSet=
ProtectSystem=strict
PrivateTmp=yes
ProtectKernelTunables=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
ProtectClock=yes
ProtectHostname=yes
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK
RestrictNamespaces=yes
RestrictSUIDSGID=yes
LockPersonality=yes
UMask=0077
# cameras and serial lines; add what your light commands need
DevicePolicy=closed
DeviceAllow=char-video4linux rw
DeviceAllow=char-ttyUSB rw
DeviceAllow=char-ttyACM rw
DeviceAllow=char-pts rw
SupplementaryGroups=video dialout

[Install]
WantedBy=multi-user.target
"""

_UNIT = """\
# twinlapse: takes the pictures of one job while it prints.
# Save as /etc/systemd/system/twinlapse-capture.service, then:
#   systemctl daemon-reload && systemctl enable --now twinlapse-capture
[Unit]
Description=twinlapse capture of {name}
After=network.target
StartLimitIntervalSec=0

[Service]
Type=notify
User={user}
ExecStart={python} -m twinlapse capture {job} --quiet --anyway{trusted}
# whatever ended the service: what nobody leases any more is switched off
ExecStopPost={python} -m twinlapse.capture.lease_keeper --once
Restart=on-failure
RestartSec=2
# the keeper of the lamps outlives the service, to switch off what it left on
KillMode=process
RuntimeDirectory=twinlapse
RuntimeDirectoryPreserve=yes
Environment=XDG_RUNTIME_DIR=/run/twinlapse
TimeoutStopSec=30
{room}
Nice=-5

ReadWritePaths={folder}
ProtectHome={home}
ProtectProc=invisible
RestrictRealtime=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
{sandbox}"""

_SMALL = """\
MemoryMax=200M
MemoryDenyWriteExecute=yes"""
# a layer's map is computed by a child: it compiles its loops, and when memory runs out it alone ends
_LOOKING = """\
MemoryMax=1G
OOMPolicy=continue
MemoryDenyWriteExecute=no
CacheDirectory=twinlapse
Environment=NUMBA_CACHE_DIR=/var/cache/twinlapse"""


def make_unit(job: Path, *, user: str | None = None, python: str = sys.executable) -> str:
    """Return the text of a unit file; a plan in `job` that looks layers over gets the room it needs.

    Raises
    ------
    CaptureError
        when the path of the job cannot stand in a unit file.
    """
    job = job.resolve()
    plan = job / "plan.json"
    looks = bool(plan.exists() and planned_checks(read_plan(plan)))
    homes = ("/home/", "/root/")
    home = "read-only" if str(job).startswith(homes) or python.startswith(homes) else "yes"
    commands = commands_of(rig_of(job)) if plan.exists() or (job / "rig.toml").exists() else []
    return _UNIT.format(
        sandbox=SANDBOX,
        trusted=f" --trust {digest_of(commands)}" if commands else "",
        name=_escaped(job.name),
        user=user or getpass.getuser(),
        python=unit_argument(python),
        job=unit_argument(str(job)),
        folder=unit_path(str(job)),
        home=home,
        room=_LOOKING if looks else _SMALL,
    )


def _escaped(text: str) -> str:
    return text.replace("%", "%%")  # systemd expands %


def unit_argument(text: str) -> str:
    """Return `text` as one argument of a unit's command, where ``$`` is expanded, too.

    Raises
    ------
    CaptureError
        when it cannot stand in a unit file.
    """
    return unit_path(text.replace("$", "$$"))


def unit_path(text: str) -> str:
    """Return a path as a unit's setting takes it; raise CaptureError when it cannot stand there."""
    if any(character in text for character in "\n\r\"'\\"):
        raise CaptureError("this path cannot stand in a unit file", "rename the folder", path=Path(text))
    text = _escaped(text)
    return f'"{text}"' if " " in text else text
