"""What is printed or carried: report, phone page and plan, in the farm's own units."""
