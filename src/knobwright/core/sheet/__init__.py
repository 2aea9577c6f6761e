"""The sheet: its records, line notation, tree walk and checks, and the standard sheets."""
