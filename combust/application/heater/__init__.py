"""What a heater's profile says about itself: checked, written as a template, its ducts worked out."""
