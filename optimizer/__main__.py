"""`python -m optimizer` is the command `cellstow`."""

from optimizer.cli import main

main(prog_name="cellstow")
