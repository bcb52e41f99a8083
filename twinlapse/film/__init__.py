"""The film: layout, overlay, encoder, the render loop."""

from twinlapse.film.options import CameraOptions, FilmOptions, options_from_rig
from twinlapse.film.render import render_film
from twinlapse.film.report import FilmReport

__all__ = ["CameraOptions", "FilmOptions", "FilmReport", "options_from_rig", "render_film"]
