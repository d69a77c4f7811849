"""What is kept: recorded runs, the journal, the job record."""
