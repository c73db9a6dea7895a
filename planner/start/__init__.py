"""Start: from whatever layers there are to a first plan.

`look` (in `layers`) reads each layer and judges nothing. Here each is judged, in codes and numbers:

- `words` takes names apart: of files, layers and columns, in several languages;
- `recognise` tells what a column holds, in which unit, and how sure that is, from its name and its values;
- `sort` tells what a layer is, from its geometry, its names and its columns;
- `draft` puts a plan together: what is used, what was counted, what was guessed, what is missing.

A :class:`~planner.start.draft.Draft` holds all of it; `show/write/plan_text` writes it as a commented plan file.
No reading of the data is taken in silence: a guess is a line with its evidence, and where two readings are possible
the other stands below it, commented out. What a column's own name says of its unit is never overruled.
"""
