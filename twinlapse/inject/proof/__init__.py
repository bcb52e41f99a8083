"""The independent check that a written file prints what the original prints.

It reads both files again and shares no code with what planned and wrote the shots.
"""

from twinlapse.inject.proof.proving import prove, read_original
from twinlapse.inject.proof.report import Check, Proof

__all__ = ["Check", "Proof", "prove", "read_original"]
