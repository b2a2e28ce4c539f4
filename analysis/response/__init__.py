"""What the field does: growth, decay, lag, susceptibility, rest."""
