"""Binomial rates and shrinkage with numpy, scipy and statsmodels only."""
