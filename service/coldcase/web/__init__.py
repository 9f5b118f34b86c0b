"""HTTP: one file a resource. Litestar lives here and nowhere else."""
