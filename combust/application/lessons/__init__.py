"""What the trainer's room computes: demonstrations, misconception cards, exercises."""
