"""The one-page report of a first layer: a single HTML file that needs nothing else."""

from __future__ import annotations

import base64
import html
import io
from collections import Counter

from PIL import Image

from twinlapse.arrays import Bool, Picture
from twinlapse.firstlayer.classify import Judgement
from twinlapse.firstlayer.corner_check import CornerCheck
from twinlapse.firstlayer.corner_monitor import CornerMonitor
from twinlapse.firstlayer.mosaic import Mosaic
from twinlapse.firstlayer.picture import (
    LAID_COLOURS,
    difference,
    expectation,
    laying_picture,
    photograph,
    strip_picture,
)
from twinlapse.firstlayer.reading import LayerMap

__all__ = ["corner_verdict", "overall", "report_html", "verdict"]

_SHADES = {True: "#d5efdc", False: "#f8d6cf", None: "#f3ecc8"}
_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><title>First layer: {title}</title>
<meta name="viewport" content="width=device-width, initial-scale=1">
<style>
body {{ font: 16px/1.5 system-ui, sans-serif; max-width: 1100px; margin: 2em auto; padding: 0 1em;
 color: #1c2421; background: #f7f8f5 }}
img {{ width: 100%; border-radius: 6px }} figure {{ margin: 0 0 1.5em }} figcaption {{ color: #555 }}
.pair {{ display: grid; grid-template-columns: repeat(auto-fit, minmax(18em, 1fr)); gap: 0 1em;
 margin-top: 1em }}
.verdict {{ padding: .6em 1em; border-radius: 6px; font-weight: 600 }}
img.strip {{ max-width: 100% }}
table {{ border-collapse: collapse; width: 100% }} th, td {{ text-align: left; padding: .3em .6em;
 border-bottom: 1px solid #ccd2cc }}
.wide {{ overflow-x: auto }}
@media (max-width: 40em) {{ body {{ margin-top: 1em }} h1 {{ font-size: 1.4em }}
 th, td {{ padding: .3em .3em; font-size: .85em }} }}
</style></head><body>
<h1>First layer: {title}</h1>
<p class="verdict" style="background: {shade}">{overall}</p>
{layer}
{corners}
</body></html>
"""
_LAYER = """<figure><img alt="The layer from straight above" src="{photo}">
<figcaption>The layer as a photograph from straight above, {step:g} mm a pixel.
Grey was not seen. {sharp}</figcaption></figure>
{table}
<div class="pair">
<figure><img alt="What should be there" src="{wanted}">
<figcaption>What the sliced file asks for.</figcaption></figure>
<figure><img alt="The difference" src="{differs}">
<figcaption>The difference: red is missing, blue is too much.</figcaption></figure>
</div>
{laid}
<p>{facts}</p>
"""


def report_html(title: str, found: LayerMap | None, corner_check: CornerCheck | None) -> str:
    """Return the page: the map of a layer, the strips of the corners, or both."""
    sound, words = overall(found, corner_check)
    return _PAGE.format(
        title=html.escape(title),
        shade=_SHADES[sound],
        overall=html.escape(words),
        layer="" if found is None else _layer(found.mosaic, found.judgement, found.sharp),
        corners="" if corner_check is None else _corners(corner_check),
    )


def corner_verdict(corner_check: CornerCheck) -> str:
    """Return in one sentence what the corners did."""
    risen = sum(watch.lifted for watch in corner_check.watches)
    unknown = sum(not watch.known for watch in corner_check.watches)
    count = len(corner_check.watches)
    if not count:
        return "The outline has no corners, so none are watched."
    if risen:
        return (
            f"{risen} of {count} corners {'has' if risen == 1 else 'have'} risen. Look before you print on."
        )
    if 2 * unknown > count:
        return f"Of {unknown} of {count} corners the lift is not known: the bed shows too little there."
    rest = f"; {unknown} not known" if unknown else ""
    return f"{count - unknown} corners watched over {len(corner_check.layers)} layers, none has risen{rest}."


def overall(found: LayerMap | None, corner_check: CornerCheck | None) -> tuple[bool | None, str]:
    """Return the worst of all findings: sound or not or not known, and the sentence that says it.

    A corner that has risen outweighs a layer on which nothing was found, and the other way round. What is not
    there at all is said first.
    """
    risen = corner_check is not None and any(watch.lifted for watch in corner_check.watches)
    said = [] if found is None else [(found.judgement.sound, verdict(found.judgement))]
    if corner_check is not None and (risen or found is None):
        gone = found is not None and any(d.kind == "missing object" for d in found.judgement.defects)
        said.insert(int(gone), (_corners_sound(corner_check), corner_verdict(corner_check)))
    bad = [words for sound, words in said if sound is False]
    if bad:
        return False, " ".join(bad)
    open_ = [words for sound, words in said if sound is None]
    return (None, " ".join(open_)) if open_ else (True, " ".join(words for _, words in said))


def _corners_sound(corner_check: CornerCheck) -> bool | None:
    """Return False where one has risen, None where of more than half it is not known."""
    watches = corner_check.watches
    if any(watch.lifted for watch in watches):
        return False
    return None if 2 * sum(not watch.known for watch in watches) > len(watches) else True


def _corners(corner_check: CornerCheck) -> str:
    shade = _SHADES[_corners_sound(corner_check)]
    parts = [f'<h2>Corners</h2><p class="verdict" style="background: {shade}">']
    parts.append(f"{html.escape(corner_verdict(corner_check))}</p>")
    for strip, watch in zip(corner_check.strips, corner_check.watches, strict=True):
        x, y = strip.corner_mm
        words = f"X{x:.1f} Y{y:.1f}: " + _corner_words(watch)
        picture = strip_picture(strip, watch, corner_check.layers)
        parts.append(
            f'<figure><img class="strip" alt="Corner at {words}" src="{_embedded(picture)}" '
            f'style="width: {picture.shape[1]}px"><figcaption>{words}</figcaption></figure>'
        )
    return "\n".join(parts)


def _corner_words(watch: CornerMonitor) -> str:
    if watch.lifted:
        return f"risen, {watch.confidence:.0%} sure"
    return "steady" if watch.known else "not known"


def _sharp_words(judgement: Judgement, sharp: Bool | None) -> str:
    if sharp is None:
        return ""
    own = judgement.wanted & judgement.seen
    share = float((own & sharp).sum() / max(1, own.sum()))
    if share > 0.995:
        return ""
    return (
        f"{share:.0%} of what is seen of the print lie within the depth of field; beyond the dashed line "
        "(less sharp) depth blurs by more than a pixel, and small gaps are less sure."
    )


def _layer(mosaic: Mosaic, judgement: Judgement, sharp: Bool | None) -> str:
    return _LAYER.format(
        photo=_embedded(photograph(mosaic, judgement, sharp)),
        sharp=_sharp_words(judgement, sharp),
        wanted=_embedded(expectation(mosaic, judgement)),
        differs=_embedded(difference(mosaic, judgement)),
        table=_table(judgement),
        step=mosaic.canvas.step_mm,
        laid=_laid(mosaic, judgement),
        facts=html.escape(_facts(mosaic, judgement)),
    )


def _laid(mosaic: Mosaic, judgement: Judgement) -> str:
    """Return the picture of how the regions are laid, with what its colours mean."""
    picture = laying_picture(mosaic, judgement)
    if picture is None or judgement.laying is None:
        return ""
    count = Counter(region.laid for region in judgement.laying.regions)
    said = ", ".join(
        f'<span style="color: rgb{colour}">&#9632;</span> {kind} ({count[kind]})'
        for kind, colour in LAID_COLOURS.items()
        if count[kind]
    )
    return (
        f'<figure><img alt="How the lines are laid" src="{_embedded(picture)}">'
        f"<figcaption>How the lines are laid, in regions of 6 mm: {said}.</figcaption></figure>"
    )


def verdict(judgement: Judgement) -> str:
    """Return the answer in one sentence."""
    absent = [d for d in judgement.defects if d.kind == "missing object"]
    if absent:
        where = "; ".join(f"X{d.at_mm[0]:.0f} Y{d.at_mm[1]:.0f}" for d in absent[:3])
        return (
            f"Not there: at {where} the bed does not show the print. It did not stick, came loose, or is a "
            "tangle. Stop and look."
        )
    more = " ".join(_more(judgement))
    if judgement.badly_laid and not judgement.can_tell:
        return f"{more} More cannot be told: {judgement.why}."
    if not judgement.can_tell:
        return f"Cannot tell: {judgement.why}. {more}".strip()
    if (judgement.badly_laid or judgement.nozzle_dirty) and not judgement.defects:
        return more
    if not judgement.defects and judgement.unseen:
        where = "; ".join(
            f"{1 - item.seen_share:.0%} of the object at X{item.at_mm[0]:.0f} Y{item.at_mm[1]:.0f}"
            for item in judgement.unseen[:3]
        )
        return f"No defects found, but unseen: {where}. Look there yourself. {more}".strip()
    if not judgement.defects and judgement.blurred:
        return f"No defects found, but the pictures are too blurred to show small gaps. {more}"
    if not judgement.defects and judgement.gaps is not None and judgement.hides_gaps:
        return f"No defects found, but {judgement.gaps.words}. Look there yourself. {more}".strip()
    if not judgement.defects:
        return f"No defects found ({judgement.seen_share:.0%} of the layer inspected). {more}".strip()
    count = len(judgement.defects)
    worst = next(
        grade for grade in ("bad", "clear", "slight") if any(d.grade == grade for d in judgement.defects)
    )
    return (
        f"{count} thing{'s' if count > 1 else ''} found, the worst of them {worst}. "
        f"Look before you print on. {more}"
    ).strip()


def _more(judgement: Judgement) -> list[str]:
    """Return sentences on how the layer is laid and on the camera's own trouble."""
    said = []
    laying = judgement.laying
    if laying is not None and laying.advice:
        what = "have ridges" if laying.laid == "ridges" else f"look {laying.laid}"
        said.append(f"The lines {what} ({laying.share:.0%} of the regions): {laying.advice}.")
    elif laying is not None and laying.outer is not None and laying.outer.told:
        width = laying.outer
        said.append(
            f"The outermost lines lie {width.width_mm:.2f} mm wide, +-{width.error_mm:.2f} "
            f"({width.asked_mm:.2f} are asked for)."
        )
    if judgement.patches:
        where = "; ".join(f"X{x + w / 2:.0f} Y{y + d / 2:.0f}" for x, y, w, d in judgement.patches[:3])
        said.append(
            f"At {where} the bed beside the print is part of the way to the filament's colour: residue of an "
            "older print, glue or a smear. Look there; a survey of the bare bed would tell."
        )
    if judgement.trouble is not None:
        of_camera = [f"{words[0].upper()}{words[1:]}." for words in judgement.trouble.sentences]
        said = of_camera + said if judgement.nozzle_dirty else said + of_camera
    if judgement.can_tell and judgement.not_looked_for:
        said.append(f"Not looked for on this layer: {', '.join(judgement.not_looked_for)}.")
    return said


def _facts(mosaic: Mosaic, judgement: Judgement) -> str:
    used = sum(link.used for link in mosaic.links)
    return (
        f"{len(mosaic.shifts_mm)} pictures, {used} of {len(mosaic.links)} overlaps used, what they leave is "
        f"{mosaic.residual_mm:.3f} mm RMS. The map stood {judgement.offset_mm[0]:+.2f}, "
        f"{judgement.offset_mm[1]:+.2f} mm off the file and was moved. Filament and bed differ by "
        f"{judgement.separability:.1f} times their spread."
    )


def _table(judgement: Judgement) -> str:
    if not judgement.defects:
        return ""
    names = ("No", "What", "Grade", "At X, Y (mm)", "Size (mm)", "Line of the file", "Sure")
    rows = ["".join(f"<th>{name}</th>" for name in names)]
    for d in judgement.defects:
        cells = (
            str(d.number),
            d.kind,
            d.grade,
            f"{d.at_mm[0]:.1f}, {d.at_mm[1]:.1f}",
            f"{d.length_mm:.1f} x {d.width_mm:.1f}",
            str(d.file_line or ""),
            f"{d.confidence:.0%}",
        )
        rows.append("".join(f"<td>{cell}</td>" for cell in cells))
    return f"<div class='wide'><table>{''.join(f'<tr>{row}</tr>' for row in rows)}</table></div>"


def _embedded(picture: Picture) -> str:
    data = io.BytesIO()
    Image.fromarray(picture).save(data, "PNG")
    return "data:image/png;base64," + base64.b64encode(data.getvalue()).decode("ascii")
