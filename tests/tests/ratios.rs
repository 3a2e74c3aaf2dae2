//! README's tables of speed and size are those on record.

use steadybench_tests::ratios;

#[test]
fn readme_has_the_ratios_that_are_on_record() {
    let (is, wanted) = ratios::readme().expect("README has a place for the table");
    assert!(
        is == wanted,
        "README's ratios are not those on record: cargo run --release -p steadybench-bench --example ratios"
    );
    assert!(
        !ratios::read().expect("the record").is_empty(),
        "nothing is on record"
    );
}
