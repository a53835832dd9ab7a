"""Which parts' tolerances drive a worst case, and how far below it Monte Carlo sets of parts stay.

Three views of one judged figure, each by whole evaluations of altered plans:

- extreme value: every tolerance at its unfavourable end, which is what the verdicts rest on;
- root sum square: the effects of single tolerances added as independent, linear and centred (JCGM 100:2008,
  5.1.2, with the tolerance itself in the place of the standard uncertainty);
- Monte Carlo: sets of parts drawn between their ends (JCGM 101:2008), each evaluated at its worst instant.
"""

from chainplan.tolerance.study import FigureStudy, ToleranceStudy, study

__all__ = ["FigureStudy", "ToleranceStudy", "study"]
