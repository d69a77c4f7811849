"""The job record: jobs, carburettors, checklist, notes, attachments and results of tests."""
