"""Say: codes and numbers as sentences of plain contractor English, in the plan's units. Nothing else makes
sentences.
"""
