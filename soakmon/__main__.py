"""python -m soakmon is the same as soakmon."""

from soakmon.cli import main

main()
