"""Compiled models are kept between runs, so that a second run starts warm."""


def use_compilation_cache() -> None:
    """Point JAX at the user's cache folder, unless JAX_COMPILATION_CACHE_DIR names another."""
    import os

    import jax
    from platformdirs import user_cache_path

    update = jax.config.update  # untyped in the library
    if not os.environ.get("JAX_COMPILATION_CACHE_DIR"):
        folder = user_cache_path("migration-site-support") / "compiled"
        update("jax_compilation_cache_dir", str(folder))  # type: ignore[no-untyped-call]
    update("jax_persistent_cache_min_compile_time_secs", 0.5)  # type: ignore[no-untyped-call]
