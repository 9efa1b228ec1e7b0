"""The outer form of every permanent tooth, made from numbers: one field a tooth, its surface, its named places."""

from kerfmark.anatomy.form.sites import NamedSite
from kerfmark.anatomy.form.surface import outer_surface, zero_surface
from kerfmark.anatomy.form.tables import Dimensions
from kerfmark.anatomy.form.tooth import ToothForm, tooth_form

__all__ = ["Dimensions", "NamedSite", "ToothForm", "outer_surface", "tooth_form", "zero_surface"]
