"""``python -m fhircare``."""

import sys

from fhircare.cli import main

sys.exit(main())
