"""What a player practises: the drill library, obstacle geometry, dose and checkpoints."""
