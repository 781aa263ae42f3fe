"""The moisture of a site's strips: lift history, simulation, learned parameters."""
