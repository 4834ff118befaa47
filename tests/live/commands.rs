//! The commands as a technician runs them, on the server's interface.

use super::plugin::succeed;
use super::server::{DEVICE, Server, UNPLUGGED};
use serde_json::Value;

fn asleft(server: &Server, words: &[&str]) -> Result<String, String> {
    succeed(server.command(env!("CARGO_BIN_EXE_asleft")).args(words))
}

/// The interface is listed as what it is: two channels out and in, the server's rate and no other, floats.
pub(crate) fn interfaces() {
    let server = Server::with_amplifier(192_000, &[]);
    let list: Value = serde_json::from_str(&asleft(&server, &["interfaces", "--json"]).unwrap()).unwrap();
    let named = |name: &str| {
        let all = list["interfaces"].as_array().expect("a list");
        all.iter().find(|i| i["id"] == name)
    };
    let found = named(DEVICE).unwrap_or_else(|| panic!("{DEVICE} is not in {list:#}"));
    for side in ["outputs", "inputs"] {
        assert_eq!(found[side]["channels"], 2, "{found:#}");
        assert_eq!(found[side]["rates_hz"], serde_json::json!([192_000]), "{found:#}");
        assert_eq!(found[side]["formats"], serde_json::json!(["f32"]), "{found:#}");
    }
    let gone = named(UNPLUGGED);
    assert!(
        gone.is_none_or(|i| i["outputs"].is_null() && i["inputs"].is_null()),
        "{gone:#?}"
    );
    let told = asleft(&server, &["interfaces"]).unwrap();
    assert!(told.contains(DEVICE) && told.contains("192 kHz"), "{told}");
}
