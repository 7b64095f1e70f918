"""Field files to store, store to models, models to store, store to published run."""
