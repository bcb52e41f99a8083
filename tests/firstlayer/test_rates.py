"""How much of what is put into a rehearsed first layer is found: the rates that the documentation states."""

from __future__ import annotations

from typing import Any

import pytest


@pytest.fixture(scope="module")
def bench(bench_script: Any) -> Any:
    """The script that prints the table."""
    return bench_script("firstlayer_rehearsed")


@pytest.mark.slow
def test_one_faulty_and_one_sound_layer_are_told(bench: Any) -> None:
    faulty = bench.rates("light", True, 0.5, range(1))
    assert faulty.mute == 0 and faulty.beside == 0
    assert faulty.gaps(0.8) == (4, 4)
    assert faulty.found["missing", 12.0] == faulty.found["blob", 2.0] == 1
    sound = bench.rates("terracotta", True, 2.0, range(1), faulty=False)
    assert (sound.sound, sound.accused) == (1, 0)


def test_a_dark_line_on_a_dark_bed_is_not_judged(bench: Any) -> None:
    count = bench.rates("dark", True, 0.5, range(1))
    assert count.mute == 1 and not count.put  # counted apart, neither found nor missed


@pytest.mark.slow
def test_gaps_of_0_8_mm_are_found_and_sound_layers_left_alone(bench: Any) -> None:
    """98 of 100 gaps that are bare for 0.8 mm and more; one false alarm in 50 sound layers at most."""
    faulty, sound = bench.Rates(), bench.Rates()
    for k, (filament, glare) in enumerate((("terracotta", 0.1), ("light", 2.0))):
        faulty.add(bench.rates(filament, bool(k), glare, range(50, 63)))
        sound.add(bench.rates(filament, bool(k), glare, range(50, 75), faulty=False))
    found, put = faulty.gaps(0.8)
    assert put >= 100 and found / put >= 0.98
    assert sound.sound >= 50 and sound.accused <= 1
