"""History that arrives as a whole: lines read, answered many at a time and recorded, each once for good."""
