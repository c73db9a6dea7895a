"""Serve: one plan as a page that answers, for whoever sits at this machine, and for nobody else."""
