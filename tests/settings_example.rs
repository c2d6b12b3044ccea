//! The example of a firmware whose tests hold its settings to account, from where a firmware would be: outside this workspace.

use std::fs;
use std::path::Path;
use std::process::Command;

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let (name, path) = (entry.file_name(), entry.path());
        if entry.file_type().unwrap().is_dir() {
            if name != "target" {
                copy(&path, &to.join(name));
            }
        } else {
            fs::copy(&path, to.join(name)).unwrap();
        }
    }
}

#[test]
fn its_tests_pass_outside_the_workspace() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    // Beside the temporary files of the system, where no folder above holds a workspace.
    let folder = tempfile::tempdir().unwrap();
    copy(&root.join("examples/settings-test"), folder.path());
    let manifest = folder.path().join("Cargo.toml");
    let text = fs::read_to_string(&manifest).unwrap();
    assert_eq!(text.matches("path = \"../../").count(), 2);
    let absolute = format!("path = '{}", root.display());
    let text = text
        .replace("path = \"../../core\"", &format!("{absolute}/core'"))
        .replace("path = \"../../sim\"", &format!("{absolute}/sim'"));
    fs::write(&manifest, text).unwrap();
    let mut cargo = Command::new("cargo");
    for (key, _) in std::env::vars_os() {
        let name = key.to_string_lossy();
        // What cargo tells these tests is not about that package.
        if name.starts_with("CARGO") && name != "CARGO_HOME" {
            cargo.env_remove(&key);
        }
    }
    cargo.args(["test", "--locked", "--target-dir"]);
    cargo.arg(Path::new(env!("CARGO_TARGET_TMPDIR")).join("settings-test"));
    let out = cargo.current_dir(folder.path()).output().expect("cargo runs");
    let said = String::from_utf8_lossy(&out.stdout);
    assert!(out.status.success(), "{said}{}", String::from_utf8_lossy(&out.stderr));
    assert!(said.contains("test result: ok. 5 passed"), "{said}");
}
