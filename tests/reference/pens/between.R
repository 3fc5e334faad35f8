# Errors of groups' lines by the variation between pens, by R: Rscript between.R > between.json (in this folder).
suppressMessages(library(lme4))
numbers <- function(x) paste(sprintf("%.12g", x), collapse = ", ")

# Balanced: the analysis of the pens' own lines, group means with their covariance, and Hotelling's T^2.
d <- read.csv("line.csv")
own <- do.call(rbind, by(d, d$pen, function(one) data.frame(group = one$group[1], t(coef(lm(value ~ age_d, one))))))
names(own) <- c("group", "a", "b")
means <- lm(cbind(a, b) ~ 0 + group, own)
at14 <- t.test((a + 14 * b) ~ group, own, var.equal = TRUE)
whole <- anova(lm(cbind(a, b) ~ group, own), test = "Hotelling-Lawley")["group", ]
cat(sprintf('{"balanced": {"fixed": [%s], "covariance": [%s], "error_at_14": %.12g, "df": %d, "p_at_14": %.12g, "F": %.12g, "df1": %d, "df2": %d, "p": %.12g},\n',
  numbers(coef(means)), numbers(vcov(means)[c(1, 3), c(1, 3)]),
  at14$stderr, round(at14$parameter), at14$p.value,
  whole[["approx F"]], whole[["num Df"]], whole[["den Df"]], whole[["Pr(>F)"]]))

# The same pens in four complete blocks.
own$block <- factor(sub("[ab]", "", rownames(own)))
blocks <- summary(lm(I(a + 14 * b) ~ group + block, own))$coefficients["groupb", ]
cat(sprintf('"blocks": {"error_at_14": %.12g, "p_at_14": %.12g},\n', blocks[["Std. Error"]], blocks[["Pr(>|t|)"]]))

# Two strains by two treatments, two pens each: interaction in both terms.
own$treatment <- factor(as.integer(sub("[ab]", "", rownames(own))) %% 2)
both <- anova(lm(cbind(a, b) ~ group * treatment, own), test = "Hotelling-Lawley")["group:treatment", ]
cat(sprintf('"interaction": {"F": %.12g, "df1": %d, "df2": %d, "p": %.12g},\n', both[["approx F"]], both[["num Df"]], both[["den Df"]], both[["Pr(>F)"]]))

# Unbalanced: the definition with whole matrices at lme4's estimates.
d <- read.csv("line_unequal.csv")
fit <- lmer(value ~ 0 + group + group:age_d + (1 | pen) + (0 + age_d | pen) + (1 | bird) + (0 + age_d | bird), d,
  control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e6), check.conv.singular = "ignore"))
s <- as.data.frame(VarCorr(fit))
var_of <- function(grp, var) s$vcov[grepl(grp, s$grp) & s$var1 %in% var]
same <- function(x) outer(x, x, "==") * 1
ages <- outer(d$age_d, d$age_d)
V <- var_of("^pen", "(Intercept)") * same(d$pen) + var_of("^pen", "age_d") * same(d$pen) * ages +
  var_of("^bird", "(Intercept)") * same(d$bird) + var_of("^bird", "age_d") * same(d$bird) * ages + sigma(fit)^2 * diag(nrow(d))
R <- matrix(0, 2, 2)
roots <- list()
for (group in c("a", "b")) {
  rows <- d$group == group
  X <- cbind(1, d$age_d)[rows, ]
  W <- solve(V[rows, rows])
  C <- solve(t(X) %*% W %*% X)
  L <- t(chol(C))
  roots[[group]] <- L
  r <- d$value[rows] - X %*% (C %*% t(X) %*% W %*% d$value[rows])
  for (pen in unique(d$pen[rows])) {
    of <- d$pen[rows] == pen
    Xj <- X[of, ]
    Wj <- solve(V[rows, rows][of, of])
    S <- eigen(t(L) %*% t(Xj) %*% Wj %*% Xj %*% L)
    z <- S$vectors %*% diag(1 / sqrt(S$values)) %*% t(S$vectors) %*% solve(L) %*% C %*% t(Xj) %*% Wj %*% r[of]
    R <- R + z %*% t(z)
  }
}
R <- R / (length(unique(d$pen)) - 2)
of <- function(group) roots[[group]] %*% R %*% t(roots[[group]])
cat(sprintf('"unequal": {"a": [%s], "b": [%s]}}\n', numbers(of("a")), numbers(of("b"))))
