"""Reach: how far each controller is from each mount, and what it needs to be reached.

radio (what a path takes) -> profile (what stands in it) -> link (margin, probability, grade) -> view, cover, serve
wire (resistance) -> cable (route, length) -> compare (radio or cable)
"""

from planner.reach.link import Grade, Links, ReachResult, grade, margin, needs, reach

__all__ = ["Grade", "Links", "ReachResult", "grade", "margin", "needs", "reach"]
