"""NIST StRD nonlinear sets from their .dat files: one CSV a set and expected.json.

usage: python make_nist_nonlinear.py FOLDER_WITH_DAT_FILES OUT
Certified values are copied as the files print them (11 significant digits).
"""
import json
import math
import re
import sys
from pathlib import Path

MODELS = {
    "Bennett5": "b1*(b2+x)^(-1/b3)",
    "BoxBOD": "b1*(1-exp(-b2*x))",
    "Chwirut1": "exp(-b1*x)/(b2+b3*x)",
    "Chwirut2": "exp(-b1*x)/(b2+b3*x)",
    "DanWood": "b1*x^b2",
    "ENSO": "b1+b2*cos(2*PI*x/12)+b3*sin(2*PI*x/12)+b5*cos(2*PI*x/b4)+b6*sin(2*PI*x/b4)"
    "+b8*cos(2*PI*x/b7)+b9*sin(2*PI*x/b7)",
    "Eckerle4": "b1/b2*exp(-0.5*((x-b3)/b2)^2)",
    "Gauss1": "b1*exp(-b2*x)+b3*exp(-1*(x-b4)^2/b5^2)+b6*exp(-1*(x-b7)^2/b8^2)",
    "Gauss2": "b1*exp(-b2*x)+b3*exp(-1*(x-b4)^2/b5^2)+b6*exp(-1*(x-b7)^2/b8^2)",
    "Gauss3": "b1*exp(-b2*x)+b3*exp(-1*(x-b4)^2/b5^2)+b6*exp(-1*(x-b7)^2/b8^2)",
    "Hahn1": "(b1+b2*x+b3*x^2+b4*x^3)/(1+b5*x+b6*x^2+b7*x^3)",
    "Kirby2": "(b1+b2*x+b3*x^2)/(1+b4*x+b5*x^2)",
    "Lanczos1": "b1*exp(-b2*x)+b3*exp(-b4*x)+b5*exp(-b6*x)",
    "Lanczos2": "b1*exp(-b2*x)+b3*exp(-b4*x)+b5*exp(-b6*x)",
    "Lanczos3": "b1*exp(-b2*x)+b3*exp(-b4*x)+b5*exp(-b6*x)",
    "MGH09": "b1*(x^2+b2*x)/(x^2+x*b3+b4)",
    "MGH10": "b1*exp(b2/(x+b3))",
    "MGH17": "b1+b2*exp(-x*b4)+b3*exp(-x*b5)",
    "Misra1a": "b1*(1-exp(-b2*x))",
    "Misra1b": "b1*(1-(1+b2*x/2)^(-2))",
    "Misra1c": "b1*(1-(1+2*b2*x)^(-0.5))",
    "Misra1d": "b1*b2*x*(1+b2*x)^(-1)",
    "Rat42": "b1/(1+exp(b2-b3*x))",
    "Rat43": "b1/(1+exp(b2-b3*x))^(1/b4)",
    "Roszman1": "b1-b2*x-atan(b3/(x-b4))/PI",
    "Thurber": "(b1+b2*x+b3*x^2+b4*x^3)/(1+b5*x+b6*x^2+b7*x^3)",
}

source, out = Path(sys.argv[1]), Path(sys.argv[2])
sets = {}
for name, model in MODELS.items():
    lines = (source / f"{name}.dat").read_text().splitlines()
    terms = [re.match(r"\s*b(\d+)\s*=\s*(\S+)\s+(\S+)\s+(\S+)\s+(\S+)", line) for line in lines]
    terms = [found.groups() for found in terms if found]

    def value(key):
        return next(line.split(":")[1].strip() for line in lines if line.strip().startswith(key))

    top = max(at for at, line in enumerate(lines) if line.strip().startswith("Data:"))
    rows = [tuple(float(v) for v in line.split()) for line in lines[top + 1 :] if line.strip()]
    assert len(rows) == int(re.match(r"\d+", value("Number of Observations")).group())
    (out / f"{name}.csv").write_text("y,x\n" + "".join(f"{y!r},{x!r}\n" for y, x in rows))
    sets[name] = {
        "model": model,
        "n": len(rows),
        "starts": [[float(term[1]) for term in terms], [float(term[2]) for term in terms]],
        "certified": [float(term[3]) for term in terms],
        "certified_se": [float(term[4]) for term in terms],
        "rss": float(value("Residual Sum of Squares")),
        "residual_sd": float(value("Residual Standard Deviation")),
    }

# The same curves in the toolkit's own terms, by algebra.
b1, b2, b3 = sets["Rat42"]["certified"]
sets["Rat42"]["toolkit_logistic"] = {"A": b1, "k": b3, "ti": b2 / b3}
b1, b2, b3, b4 = sets["Rat43"]["certified"]
sets["Rat43"]["toolkit_richards"] = {"A": b1, "k": b3, "ti": (b2 - math.log(b4)) / b3, "m": 1 + b4}
(out / "expected.json").write_text(json.dumps({"sets": sets}, indent=1) + "\n")
