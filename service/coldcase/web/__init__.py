"""The HTTP face: one file a resource. Litestar lives here and nowhere else."""
