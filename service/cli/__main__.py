"""Run the command as a module."""

from service.cli.main import main

main()
