"""Climate: peak-month ETo, how sure it is, and the zone it means."""
