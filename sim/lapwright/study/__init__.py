"""Study files in, run files in and out; people's units become SI here and nowhere else."""
