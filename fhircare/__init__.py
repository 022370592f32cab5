"""fhircare: one FHIR bundle as the single source of a plan after fitting an above-knee prosthesis."""

__version__ = "0.1.0"
