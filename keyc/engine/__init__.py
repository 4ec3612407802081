"""The C engine, built for this computer and driven: scenarios, scripts, proofs."""
