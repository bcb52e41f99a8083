"""The proof under attack: a machine that prints into voxels must see no collision in what it accepts.

500 changed files in the fast suite, 20,000 in the slow one; see `attack.search`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from attack.prints import PRINTS, Print
from attack.search import OVERLAP_MM, Attack, Tally

from twinlapse.inject.proof import clearance, proving
from twinlapse.inject.proof.report import verdict

MOST_REFUSED = 1 / 200  # of what clears everything by 1 mm
EACH_FAST, EACH_SLOW = 35, 1275  # 560 and 20,400 over the sixteen prints


def attacked(target: Print, folder: Path, attempts: int) -> Tally:
    tally = Attack(target, folder, seed=1).run(attempts)
    print(tally)
    assert tally.wrong == []
    assert tally.deepest_mm < OVERLAP_MM
    return tally


@pytest.mark.parametrize("target", PRINTS, ids=lambda target: target.name)
def test_nothing_that_collides_is_accepted(target: Print, tmp_path: Path) -> None:
    tally = attacked(target, tmp_path, EACH_FAST)
    assert tally.accepted  # the search has something to climb on
    assert tally.refused_clear == []


@pytest.mark.slow
def test_nothing_that_collides_is_accepted_of_twenty_thousand(tmp_path: Path) -> None:
    tallies = []
    for target in PRINTS:
        folder = tmp_path / target.name.replace(" ", "_")
        folder.mkdir()
        tallies.append(attacked(target, folder, EACH_SLOW))
    clear, refused = sum(t.clear for t in tallies), sum(len(t.refused_clear) for t in tallies)
    assert sum(t.attempts for t in tallies) >= 20_000
    assert sum(t.collides for t in tallies) > 1000  # it does come to blows
    assert refused <= MOST_REFUSED * clear, (refused, clear)


def test_the_attack_finds_a_proof_that_does_not_look(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def blind(*arguments: Any) -> Any:
        return verdict("clearance", None, "")

    monkeypatch.setattr(proving, "check_clearance", blind)
    tally = Attack(PRINTS[1], tmp_path, seed=1).run(EACH_FAST)
    assert tally.wrong


def test_the_attack_finds_a_proof_that_forgets_what_a_cancelled_object_leaves_behind(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(proving, "faults_of_places", lambda *arguments: [])
    target = next(target for target in PRINTS if target.name == "towers by number")
    tally = Attack(target, tmp_path, seed=1).run(3 * EACH_FAST)
    assert tally.wrong


def test_the_attack_finds_a_proof_that_forgets_the_gantry(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    known = clearance._tool

    def without_gantry(printer: Any) -> Any:
        tool = known(printer)
        tool[1] = 0.0
        return tool

    monkeypatch.setattr(clearance, "_tool", without_gantry)
    target = next(target for target in PRINTS if target.name == "low beside a post")
    tally = Attack(target, tmp_path, seed=1).run(3 * EACH_FAST)
    assert tally.wrong
