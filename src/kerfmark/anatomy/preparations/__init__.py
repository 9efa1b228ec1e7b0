"""Crown preparations made from numbers: what an ideal or a faulty hand would leave, with the truth known by construction."""

from kerfmark.anatomy.preparations.crown import CutCrown, cut_crown
from kerfmark.anatomy.preparations.neighbours import Nick, nick
from kerfmark.anatomy.preparations.plan import CrownPlan, by_azimuth

__all__ = ["CrownPlan", "CutCrown", "Nick", "by_azimuth", "cut_crown", "nick"]
