"""The words that stand wherever limits are shown, written or handed on."""

CAUTION = (
    "Limits on safety-related products are the responsibility of the people licensed to set "
    "them, under the standards that apply where the product is built and used. "
    "Nothing here is applied to a machine without a signature."
)
