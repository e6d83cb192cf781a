"""Run the command as a module."""

from service.cli.entry import main

main()
