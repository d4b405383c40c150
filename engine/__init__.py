"""Pure computation, no I/O beyond loading kb/: facts in; conclusions, posterior, next steps, verdict out."""
