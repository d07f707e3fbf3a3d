"""An add-on that ends the interpreter when it is imported."""

import sys

sys.exit("no")
