"""A tank over days: settings, model, fit, forecast, advice, and the words for them."""
