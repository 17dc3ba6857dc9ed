"""``python -m combust`` is the ``combust`` command."""

from combust.edge.cli.main import main

main()
