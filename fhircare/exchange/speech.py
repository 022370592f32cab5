"""A server's FHIR release and ours: what we send is said in its release, what it answers is heard in ours.

Everywhere in the exchange a plan is in the house's spelling, R4's. An R5 server gets it said in R5
(``fhircare.releases``), and what it holds is heard before anybody reads it. R4B differs from R4 in none of
the resources a plan is made of, so that an R4B server is spoken to in R4.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from fhircare.exchange.client import FhirServer, Resource


def said(server: FhirServer, resource: Resource) -> Resource:
    """Return a resource or bundle of ours in the server's release."""
    if server.capabilities.release != "R5":
        return resource
    from fhircare.releases import say

    return say(resource, "R5")


def heard(server: FhirServer, resource: Resource) -> Resource:
    """Return what a server gave in R4's spelling."""
    if server.capabilities.release != "R5":
        return resource
    from fhircare.releases import hear

    return hear(resource, "R5")
