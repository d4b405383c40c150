"""What can be seen in a log: one module per subject, gathered by `engine.logs.looking`."""
