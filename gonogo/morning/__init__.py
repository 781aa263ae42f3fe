"""One run of one site: what the store holds, the computation, the plan, the store again; and the later re-check."""
