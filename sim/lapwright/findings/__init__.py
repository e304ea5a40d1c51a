"""What is noticed: findings, of a study beforehand and of a run afterwards; sentences are made elsewhere."""
