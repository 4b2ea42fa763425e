"""`python -m service` is the console command."""

from service.cli import main

main()
