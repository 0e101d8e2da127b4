//! Any text as fleet.toml: a fleet, or errors with places in the text.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|data: &str| {
    if let Err(errors) = fettle::fleet::Fleet::parse(data) {
        assert!(!errors.is_empty());
        for error in errors {
            assert!(error.line <= data.matches('\n').count() + 1, "{error}");
        }
    }
});
