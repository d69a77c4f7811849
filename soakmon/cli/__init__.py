"""The command line: one module a family; what a command needs is imported when it runs."""
