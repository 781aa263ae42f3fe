"""Schema migrations, run forward by `upgrade` at every start. They travel in the package."""
