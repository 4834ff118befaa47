//! What a workshop puts on its reports comes from its own file.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use asleft::report::letterhead::{Logo, parse};

#[test]
fn a_workshop_file_reads_back_and_an_unknown_key_is_named_with_the_nearest() {
    let file = "schema = \"asleft.workshop.v1\"\naddress = [\"1 Example Lane\"]\nclosing = \"Thank you.\"\n";
    let workshop = parse(file, "workshop.toml").unwrap();
    assert_eq!(workshop.address, ["1 Example Lane"]);
    assert_eq!(workshop.closing, "Thank you.");
    let mistaken = file.replace("closing", "closings");
    let error = parse(&mistaken, "workshop.toml").unwrap_err().to_string();
    assert!(error.contains("closing") && error.contains('3'), "{error}");
}

#[test]
fn a_logo_is_told_by_its_bytes_and_nothing_else_is_one() {
    // The signature of a PNG file: ISO/IEC 15948, 5.2.
    let png = Logo::of(b"\x89PNG\r\n\x1a\nrest".to_vec(), "logo").unwrap();
    assert_eq!(png.format, "png");
    // RFC 4648, section 10: "foobar" is Zm9vYmFy; here the signature's own first three bytes, 89 50 4E.
    assert!(png.address.starts_with("data:image/png;base64,iVBO"));
    assert_eq!(
        Logo::of(b"<svg xmlns='x'/>".to_vec(), "logo").unwrap().format,
        "svg"
    );
    assert!(Logo::of(b"GIF89a".to_vec(), "logo").is_err());
}
