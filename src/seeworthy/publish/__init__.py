"""Reports: what was measured, as pages that need nothing from anywhere else."""
