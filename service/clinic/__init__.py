"""What the trade knows: pure, no FHIR, no HTTP, no SQL; the clock and the policy are passed in."""
