"""An invented school's term in a store: two sites, five exercises, sixty learners, four examiners, practice and one exam.

Nobody cut, judged or examined any of it. A few pieces of each exercise are cut by simulated hands, scanned with noise and truly
measured. The readings of all other pieces are *modelled*: drawn around those of a truly measured piece of the same level, and
said to be so wherever they are shown (`Assessment.modelled`, and the file of such a piece, which states the model).
"""

from kerfmark.demo.school.course import DemoTerm, make_term
from kerfmark.demo.school.making import EXAM, EXERCISES
from kerfmark.demo.school.people import SCHOOL

__all__ = ["EXAM", "EXERCISES", "SCHOOL", "DemoTerm", "make_term"]
