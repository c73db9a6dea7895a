"""Reach: how far each controller is from each mount, and what it needs to be reached.

radio (what a path takes); scene -> profile (what a line meets) -> diffraction (in decibels)
  -> link (margin, probability, grade) -> view, cover, serve
"""

from planner.reach.link import Grade, Links, ReachResult, grade, reach

__all__ = ["Grade", "Links", "ReachResult", "grade", "reach"]
