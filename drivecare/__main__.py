"""`python -m drivecare` is `drivecare`."""

from drivecare.cli.main import main

main()
