"""A plan's results as one self-contained page for print: HTML text, and a PDF of it.

Everything here is pure: a plan with its evaluation goes in, text comes out; the same in, the same out.
"""

from __future__ import annotations

from chainplan.printout.document import printout_html
from chainplan.printout.options import Options, PlanFile

__all__ = ["Options", "PlanFile", "printout_html"]
