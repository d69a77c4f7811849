"""python -m soakmon is the same as soakmon."""

from soakmon.cli.program import main

main()
