"""The inside of the desk's actions: each loads facts, asks one pure decision of desk/, and records what follows."""
