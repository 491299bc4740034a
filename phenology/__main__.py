"""`python -m phenology` is `site-support`."""

from phenology.cli import main

main()
