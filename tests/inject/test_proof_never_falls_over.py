"""Whatever stands in a written file, the proof gives a verdict or one line of error, and nothing else."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from attack.prints import PRINTS
from attack.search import Attack

from twinlapse.errors import TwinlapseError
from twinlapse.inject import prove

EACH = 40  # files a print


def damaged(data: bytes, rng: random.Random) -> bytes:
    """Return the file with bytes flipped, cut out, doubled, or strange ones put in."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 3, 30))):
        at = rng.randrange(len(out))
        kind = rng.randrange(5)
        if kind == 0:
            out[at] = rng.randrange(256)
        elif kind == 1:
            del out[at : at + rng.choice((1, 20, 4000))]
        elif kind == 2:
            out[at:at] = out[at : at + rng.choice((10, 500))]
        elif kind == 3:
            out[at:at] = bytes(rng.randrange(256) for _ in range(rng.choice((1, 8))))
        else:
            out[at:at] = rng.choice(
                (b"9" * 310, b"\n" * 50, b"X1e999", b"(", b"*", b";", b"\r", b"G2 I9", b"-")
            )
        out = out or bytearray(b"\n")
    return bytes(out)


@pytest.mark.parametrize(
    "data", [b"; only\n", b"G28", b"\x00\xff" * 50, b"\xef\xbb\xbf", b"\r", b"G2 I1 J1 E1\n"]
)
@pytest.mark.parametrize("known", [True, False])
def test_a_file_of_next_to_nothing(data: bytes, known: bool, tmp_path: Path) -> None:
    attack = Attack(PRINTS[0], tmp_path, seed=1)
    attack.out.write_bytes(data)
    try:
        assert not prove(attack.source, attack.out, attack.rig if known else None).holds
    except TwinlapseError:
        assert not known


@pytest.mark.parametrize("target", [PRINTS[1], PRINTS[7], PRINTS[10]], ids=lambda target: target.name)
def test_a_damaged_file(target: object, tmp_path: Path) -> None:
    attack = Attack(target, tmp_path, seed=1)  # type: ignore[arg-type]
    rng, data = random.Random(7), attack.out.read_bytes()
    for k in range(EACH):
        attack.out.write_bytes(damaged(data, rng))
        try:
            prove(attack.source, attack.out, attack.rig if k % 2 else None, toolpath=attack.path)
        except TwinlapseError as error:
            assert "\n" not in str(error)
