"""From the peak month to run times: the base program, the year ahead, and the first day."""
