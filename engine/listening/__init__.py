"""What a caller says, in everyday words -> findings and vehicle facts of the knowledge base."""
